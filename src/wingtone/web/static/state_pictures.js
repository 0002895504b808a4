// Pictures for what does not show on the bee from above: faces, numbers of bands, sizes, doings, places.
//
// `statePicture(character, state, hints)` gives a small drawing, or null where words have to do (as for every
// character that a fauna brings and that we do not know). state null is "not seen". Decoration: the words beside
// each picture say the same.

import { LENGTH, drawBee, lengthOf, silhouette, tryOn } from "./bee_drawings.js";
import { HAIR } from "./bee_hair.js";
import { svg } from "./dom.js";

const picture = (box, ...parts) =>
  svg("svg", { class: "state-picture", viewBox: box, "aria-hidden": "true", focusable: "false" }, parts);
const line = (d, more = {}) => svg("path", { class: "ink-line", d, ...more });
const form = (d, more = {}) => svg("path", { class: "ink-form", d, ...more });

// A small bee: where, how long (units), which way it heads (degrees, 0 to the left).
function flying(x, y, length, turn = 0) {
  return svg(
    "g",
    { transform: `translate(${x} ${y}) rotate(${turn}) translate(${-length / 2} 0) scale(${length / LENGTH})` },
    silhouette("small-bee"),
  );
}

// --- face ----------------------------------------------------------------------------------------------------

// The head from the side, looking left; what differs is the gap between eye and jaw.
function side(longer) {
  const jaw = 58 + longer;
  return picture(
    "0 0 120 112",
    form(
      `M44 16C64 8 86 18 88 38C90 50 84 ${jaw - 8} 74 ${jaw + 4}C68 ${jaw + 10} 52 ${jaw + 10} 48 ${jaw + 2}C38 ${jaw - 16} 30 26 44 16Z`,
    ),
    svg("ellipse", { class: "eye", cx: 66, cy: 36, rx: 11, ry: 18, transform: "rotate(8 66 36)" }),
    line("M60 24C58 32 58 40 60 46", { class: "shine" }),
    line(`M48 ${jaw + 4}C44 ${jaw + 8} 48 ${jaw + 14} 56 ${jaw + 12}`, { "stroke-width": 5 }),
    line("M40 30C28 28 22 34 16 46M16 46L10 74", { "stroke-width": 4 }),
    line(`M84 54h12M82 ${jaw + 2}h14M92 56V${jaw}`, { class: "measure" }),
  );
}

// The head from the front.
function front(hair) {
  const tuft = [];
  for (let i = 0; i < 40; i++) {
    const [x, y] = [44 + (i % 8) * 4.6, 30 + Math.floor(i / 8) * 10 + (i % 3) * 2];
    tuft.push(`M${x} ${y}l${((x - 60) * 0.12).toFixed(1)} 11`);
  }
  const pen = hair && HAIR[hair];
  return picture(
    "0 0 120 112",
    form("M60 10C84 10 98 26 98 50C98 76 80 98 60 102C40 98 22 76 22 50C22 26 36 10 60 10Z"),
    svg("ellipse", { class: "eye", cx: 29, cy: 50, rx: 9, ry: 25, transform: "rotate(8 29 50)" }),
    svg("ellipse", { class: "eye", cx: 91, cy: 50, rx: 9, ry: 25, transform: "rotate(-8 91 50)" }),
    line("M52 36L40 14L14 6M68 36L80 14L106 6", { "stroke-width": 4 }),
    svg("path", { class: "ocelli", d: "M60 17h.01M54 22h.01M66 22h.01" }),
    pen
      ? svg("path", {
          d: tuft.join(""),
          fill: "none",
          stroke: hair === "yellow" ? pen.coat : pen.light,
          "stroke-width": 3.4,
          "stroke-linecap": "round",
        })
      : svg("path", { class: "sketch-hair", d: tuft.join("") }),
    hair === "yellow"
      ? svg("path", {
          d: "M48 40h.01M60 46h.01M72 40h.01M52 60h.01M66 60h.01M60 74h.01",
          stroke: pen.dark,
          "stroke-width": 4,
          "stroke-linecap": "round",
        })
      : null,
    line("M44 92C50 84 70 84 76 92", { "stroke-width": 3 }),
  );
}

// --- doings and places -----------------------------------------------------------------------------------------

const GROUND = "M0 88C20 84 44 90 70 86S110 88 120 85";
const grass = (x) => line(`M${x} 88l-4 -12M${x + 2} 88l1 -16M${x + 4} 88l6 -11`, { class: "grass" });
const path = (d) => line(d, { class: "way" });

const daisy = (x, y, r) => {
  const petals = [];
  for (let i = 0; i < 10; i++) {
    petals.push(
      svg("ellipse", {
        class: "petal",
        cx: x,
        cy: y - r * 0.72,
        rx: r * 0.2,
        ry: r * 0.4,
        transform: `rotate(${i * 36} ${x} ${y})`,
      }),
    );
  }
  return [...petals, svg("circle", { class: "heart", cx: x, cy: y, r: r * 0.36 })];
};

// A foxglove's bell: long and hanging, spotted inside its mouth.
const bell = ([x, y, way, k]) =>
  svg(
    "g",
    { transform: `translate(${x} ${y}) scale(${way * k} ${k})` },
    form("M0 0C10 -8 22 -2 30 12L48 34C44 46 32 50 22 46L8 20C2 14 0 8 0 0Z", { class: "bell" }),
    svg("ellipse", { class: "bell-mouth", cx: 35, cy: 40.5, rx: 14.5, ry: 6.5, transform: "rotate(-26 35 40.5)" }),
    svg("path", { class: "bell-spots", d: "M29 43h.01M35 41h.01M41 38h.01" }),
  );

const SCENES = {
  behaviour: {
    "nest-searching": () => [
      line(GROUND),
      grass(16),
      grass(62),
      grass(100),
      path("M6 62L26 44L42 70L60 46L74 70L84 58"),
      flying(96, 54, 34, 150),
    ],
    "collecting-pollen": () => [
      line("M60 110V62", { class: "grass" }),
      daisy(60, 62, 34),
      flying(60, 40, 46, 20),
      svg("circle", { class: "pollen-load", cx: 73, cy: 52, r: 5 }),
      svg("circle", { class: "pollen-load", cx: 62, cy: 26, r: 5 }),
    ],
    patrolling: () => [
      path("M60 24C100 14 116 44 96 66C76 92 34 90 20 66C8 42 26 28 60 24Z"),
      form("M12 92c0 -14 8 -20 16 -20s16 8 16 20z", { class: "bush" }),
      form("M80 96c0 -14 8 -20 16 -20s16 8 16 20z", { class: "bush" }),
      line("M92 74l5 -9l-10 1", { "stroke-width": 2 }),
      flying(58, 26, 38, 180),
    ],
    hovering: () => [
      path("M22 84C18 62 18 44 22 24M98 84C102 62 102 44 98 24"),
      path("M40 92h40"),
      line("M44 26C38 34 38 48 44 56M76 26C82 34 82 48 76 56", { class: "buzz" }),
      flying(60, 48, 46, 90),
    ],
    "at-nest": () => [
      form("M0 112V60C30 40 90 40 120 60V112Z", { class: "earth" }),
      svg("ellipse", { class: "hole", cx: 60, cy: 78, rx: 19, ry: 16 }),
      grass(10),
      grass(104),
      flying(78, 52, 34, -45),
    ],
  },
  nest: {
    underground: () => [
      form("M0 44C40 38 80 46 120 42V112H0Z", { class: "earth" }),
      svg("path", { class: "hole", d: "M30 42C34 60 44 68 56 74L64 66C54 60 48 52 46 42Z" }),
      svg("ellipse", { class: "hole", cx: 76, cy: 82, rx: 26, ry: 17 }),
      flying(28, 26, 30, -140),
    ],
    "tree-or-box": () => [
      form("M46 112C50 70 50 40 46 0H76C72 40 72 70 78 112Z", { class: "bark" }),
      form("M34 34L62 20L90 34V82H34Z", { class: "box" }),
      line("M28 36L62 19L96 36", { "stroke-width": 4 }),
      svg("circle", { class: "hole", cx: 62, cy: 54, r: 9 }),
      flying(100, 70, 28, 30),
    ],
    surface: () => [
      line(GROUND),
      form("M22 90C22 60 42 48 60 48S98 60 98 90Z", { class: "moss" }),
      line("M34 84C44 70 52 66 58 58M86 84C78 72 72 66 66 60M46 88C52 76 58 72 62 66M74 88C70 78 66 74 62 70", {
        class: "grass",
      }),
      svg("ellipse", { class: "hole", cx: 60, cy: 82, rx: 10, ry: 8 }),
      flying(92, 34, 30, -30),
    ],
  },
  flower: {
    deep: () => [
      line("M60 4C58 40 62 80 60 110", { class: "grass" }),
      ...[
        [60, 14, 1, 0.7],
        [60, 34, -1, 0.85],
        [60, 56, 1, 1],
      ].map(bell),
    ],
    shallow: () => [line("M60 110V58", { class: "grass" }), daisy(60, 48, 44)],
  },
};

const SIZES_MM = { tiny: 2.9, small: 3.5, medium: 4.2, large: 5.0, "very-large": 6.0 }; // middles of the classes by ITD
const BANDS = { 0: [], 1: ["collar"], 2: ["collar", "front-band"], 3: ["collar", "scutellum", "front-band"] };

// The bee on a ruler of body length.
function sized(state) {
  const length = lengthOf(SIZES_MM[state]);
  const ticks = [0, 5, 10, 15, 20].map((mm) => `M${8 + mm * 5} 96v${mm % 10 ? -6 : -10}`).join("");
  return picture(
    "0 0 120 112",
    line(`M8 96H108${ticks}`, { class: "measure" }),
    flying(8 + (length * 5) / 2, 50, length * 5),
    svg("text", { class: "measure-words", x: 108, y: 109, "text-anchor": "end" }, "20 mm"),
  );
}

function banded(state, hints) {
  const bands = BANDS[state];
  const bee = {
    shade: hints.shade,
    thorax: "black",
    collar: "none",
    scutellum: "none",
    "front-band": "none",
    abdomen: "black",
  };
  for (const band of bands) bee[band] = "yellow";
  if (hints.tail) bee.tail = hints.tail;
  return drawBee(bee, { crop: [-20, -122, 490, 244], className: "state-picture" });
}

export function statePicture(character, state, hints) {
  const known = (table) => Object.hasOwn(table, state);
  if (state === null) return tryOn(character, null, hints);
  if (character === "face") {
    const longer = { short: -6, medium: 8, long: 32 };
    return known(longer) ? side(longer[state]) : null;
  }
  if (character === "face-hair") return ["black", "yellow"].includes(state) ? front(state) : null;
  if (character === "size") return known(SIZES_MM) ? sized(state) : null;
  if (character === "bands") return known(BANDS) ? banded(state, hints) : null;
  if (Object.hasOwn(SCENES, character)) {
    return known(SCENES[character]) ? picture("0 0 120 112", SCENES[character][state]()) : null;
  }
  return tryOn(character, state, hints);
}
