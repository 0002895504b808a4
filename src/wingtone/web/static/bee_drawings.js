// The bee from above, drawn by us from a few shapes: a pencil sketch that is coloured in as it is described.
//
// Lengths, the body and its hair are those of `bee_hair.js`. What a fauna calls by other names is left as pencil.

import {
  ABDOMEN,
  COATS,
  HAIR,
  NONE,
  PARTS,
  TERGA,
  THORAX,
  edge,
  faded,
  outline,
  row,
  stretch,
  strokes,
} from "./bee_hair.js";
import { svg } from "./dom.js";

// Where to look for each part, and where its line ends.
export const SPOTS = {
  collar: [86, 60],
  thorax: [146, 84],
  scutellum: [202, 62],
  "front-band": [244, 84],
  abdomen: [318, 96],
  tail: [408, 66],
};

// --- parts of the bee -------------------------------------------------------------------------------------------

// Both sides of something drawn for the bee's left side (y > 0).
const both = (...parts) => [
  svg(
    "g",
    {},
    parts.map((make) => make()),
  ),
  svg(
    "g",
    { transform: "scale(1 -1)" },
    parts.map((make) => make()),
  ),
];

const limb = (d, width) => () => svg("path", { class: "leg", d, "stroke-width": width });

function foreLegs() {
  return svg(
    "g",
    { class: "legs" },
    both(
      limb("M98 66L70 104L44 122", 8),
      limb("M44 122L26 128L12 124", 4.5),
      limb("M146 78L152 122L172 152", 8),
      limb("M172 152L182 172L196 178", 4.5),
    ),
  );
}

// The hind shin is broad; in a queen or worker of the social kinds it is a bare, shiny basket.
function hindLegs(hints) {
  const hind = hints["hind-leg"];
  const colour = { black: "black", red: "red", pale: "buff" }[hints["leg-hair"]];
  const parts = [
    limb("M186 74L212 106L238 118", 9.5),
    () =>
      svg("path", {
        class: "leg-plate",
        d: "M230 112C254 106 290 120 316 138C312 150 296 156 280 152C260 146 238 134 230 112Z",
      }),
    limb("M314 142L344 156L368 156", 6),
    limb("M368 156L384 161L394 157", 3.5),
  ];
  if (hind === "pollen") {
    parts.push(
      () =>
        svg("path", {
          class: "pollen-load",
          d: "M238 116C250 96 292 102 312 128C320 148 298 164 276 158C254 152 232 138 238 116Z",
        }),
      () =>
        svg("path", {
          class: "pollen-grains",
          d: "M256 116h.01M270 114h.01M286 120h.01M262 130h.01M278 132h.01M294 134h.01M274 146h.01M290 148h.01M302 142h.01",
        }),
    );
  } else if (hind === "basket") {
    parts.push(() => svg("path", { class: "shine", d: "M248 122C262 122 280 130 294 140" }));
  }
  if (hind === "hairy" || colour) {
    const random = row(31);
    let d = "";
    for (let i = 0; i < 44; i++) {
      const t = i / 43;
      const [x, y] = [236 + 74 * t, 116 + 24 * t + (i % 2 ? 10 : -6)];
      d += `M${x.toFixed(1)} ${y.toFixed(1)}l${(5 + 6 * random()).toFixed(1)} ${((i % 2 ? 1 : -1) * (8 + 7 * random())).toFixed(1)}`;
    }
    const pen = HAIR[colour ?? "black"];
    parts.push(() =>
      svg("path", { class: "leg-hair", d, stroke: colour && colour !== "black" ? pen.coat : pen.light }),
    );
  }
  return svg("g", { class: "legs" }, both(...parts));
}

const WING = "rotate(9 120 70) translate(9.6 5.6) scale(0.92)"; // held a little open, so that the hind legs show

function wings(hints) {
  const known = hints.wings;
  const side =
    (...parts) =>
    () =>
      svg(
        "g",
        { transform: WING },
        parts.map((make) => make()),
      );
  return svg(
    "g",
    { class: `wings ${known ? `wings-${known}` : ""}` },
    both(
      side(
        () =>
          svg("path", {
            class: "wing",
            d: "M150 68C176 76 246 98 292 128C312 142 306 160 284 158C236 152 178 116 150 76Z",
          }),
        () => svg("path", { class: "vein", d: "M152 70C196 88 240 108 276 134M190 90C206 106 226 124 252 142" }),
        () =>
          svg("path", {
            class: "wing",
            d: "M120 66C170 72 290 96 384 152C404 166 400 186 374 188C316 190 200 146 120 78Z",
          }),
        () => svg("path", { class: "vein strong", d: "M120 66C180 76 250 92 318 118" }),
        () =>
          svg("path", {
            class: "vein",
            d: "M126 72C190 92 250 116 300 142C318 150 334 154 352 152M266 100C268 112 274 122 282 132M226 88C232 100 238 110 246 118M300 112C318 122 330 138 330 152M200 96C220 122 262 150 318 172M300 142C306 154 314 164 326 174M252 121C256 134 262 144 270 152",
          }),
        () => svg("path", { class: "stigma", d: "M262 95C272 97 282 101 290 106C280 105 270 102 262 95Z" }),
      ),
    ),
  );
}

function head(hints) {
  const short = hints.antennae === "short";
  const long = hints.antennae === "long";
  const face = hints["face-hair"];
  const parts = short
    ? [() => svg("path", { class: "feeler known", d: "M14 8L4 16L-4 17" })]
    : [
        () => svg("path", { class: long ? "feeler known" : "feeler", d: "M12 12C6 20 -6 34 -16 40" }),
        () => svg("path", { class: long ? "feeler lash known" : "feeler lash", d: "M-16 40C-30 42 -48 48 -62 60" }),
      ];
  const tuft = face ? HAIR[face === "yellow" ? "yellow" : "black"] : null;
  return svg(
    "g",
    { class: "head" },
    both(...parts),
    svg("path", { class: "mandible", d: "M8 -18C-8 -14 -12 -4 -12 0C-12 4 -8 14 8 18Z" }),
    svg("path", { class: "skull", d: "M72 -40C60 -56 30 -56 16 -34C6 -18 6 18 16 34C30 56 60 56 72 40Z" }),
    both(
      () =>
        svg("ellipse", {
          class: "eye",
          cx: short ? 34 : 38,
          cy: short ? 32 : 44,
          rx: short ? 26 : 23,
          ry: short ? 21 : 10,
          transform: `rotate(-12 38 44)`,
        }),
      () => svg("path", { class: "shine", d: short ? "M22 40C28 46 38 46 46 40" : "M24 46C30 51 42 51 50 47" }),
    ),
    svg("path", { class: "ocelli", d: "M40 0h.01M47 -9h.01M47 9h.01" }),
    tuft
      ? svg("path", {
          d: fringe(),
          fill: "none",
          stroke: face === "yellow" ? tuft.coat : tuft.light,
          "stroke-width": 2.2,
          "stroke-linecap": "round",
        })
      : svg("path", { class: "sketch-hair", d: fringe() }),
  );
}

function fringe() {
  const random = row(5);
  let d = "";
  for (let i = 0; i < 26; i++) {
    const y = -24 + (48 * i) / 25;
    d += `M${(24 - 8 * Math.cos(y / 20) + 4 * random()).toFixed(1)} ${y.toFixed(1)}l${(-12 - 5 * random()).toFixed(1)} ${(y * 0.12 + 3 * (random() - 0.5)).toFixed(1)}`;
  }
  return d;
}

// Colour of each part, as far as it was described. null: not yet.
function coloursOf(hints) {
  const shade = hints.shade === "lemon" ? "lemon" : hints.shade === "golden" ? "golden" : "yellow";
  const worn = (colour) => (hints.condition === "faded" ? faded(colour) : colour);
  const hair = (state) => {
    if (!state) return null;
    if (state === "none") return NONE;
    const colour = state === "yellow" ? shade : state;
    return Object.hasOwn(HAIR, colour) ? worn(colour) : null;
  };
  return {
    collar: hair(hints.collar),
    thorax: hints.thorax === "banded" ? "banded" : hair(hints.thorax),
    scutellum: hair(hints.scutellum),
    "front-band": hair(hints["front-band"]),
    abdomen: hints.abdomen ?? null,
    tail: hints.tail === "yellow" ? worn("yellow") : hair(hints.tail),
    yellow: worn(shade),
  };
}

function thoraxParts(colours, options) {
  const { from, to } = PARTS.thorax;
  if (colours.thorax !== "banded") return stretch(THORAX, from, to, colours.thorax, { ...options, seed: 20 });
  const [a, b] = [from + 18, to - 18];
  return [
    stretch(THORAX, from, a, colours.yellow, { ...options, seed: 20 }),
    stretch(THORAX, b, to, colours.yellow, { ...options, seed: 22 }),
    stretch(THORAX, a, b, NONE, { ...options, seed: 21 }),
  ];
}

function middleParts(colours, options) {
  const { from, to } = PARTS.abdomen;
  const two = (one, other) => {
    const n = 5;
    const step = (to - from) / n;
    return Array.from({ length: n }, (_, i) =>
      stretch(ABDOMEN, from + i * step, from + (i + 1) * step, i % 2 ? other : one, { ...options, seed: 40 + i }),
    );
  };
  if (colours.abdomen === "banded") return two(NONE, "buff");
  if (colours.abdomen === "pale") return stretch(ABDOMEN, from, to, "buff", { ...options, seed: 40 });
  if (colours.abdomen === "mixed") {
    return [
      stretch(ABDOMEN, from, to, "ginger", { ...options, seed: 40, marked: false }),
      svg("path", { class: "mixed-hair", d: strokes(ABDOMEN, from, to, { many: 420, long: 14, seed: 47 }) }),
    ];
  }
  const colour = Object.hasOwn(HAIR, colours.abdomen ?? "") ? colours.abdomen : null;
  return stretch(ABDOMEN, from, to, colour, { ...options, seed: 40 });
}

function frontParts(colours, hints, options) {
  const { from, to } = PARTS["front-band"];
  if (hints.belt === "brown" && !colours["front-band"])
    return stretch(ABDOMEN, from, to, "brown", { ...options, seed: 30 });
  const colour = colours["front-band"];
  if (hints.belt === "brown")
    return [
      stretch(ABDOMEN, from, to, "buff", { ...options, seed: 30 }),
      stretch(ABDOMEN, from + 30, to - 8, "brown", { ...options, seed: 33 }),
    ];
  const band = stretch(ABDOMEN, from, to, colour ?? (hints.belt ? colours.yellow : null), { ...options, seed: 30 });
  if (hints.belt !== "broken") return band;
  const gap = { ...ABDOMEN, name: "gap", half: (u) => ABDOMEN.half(u) * 0.24 };
  return [band, stretch(gap, from + 6, to, NONE, { ...options, seed: 34 })];
}

function tailParts(colours, hints, options) {
  const { from, to } = PARTS.tail;
  const detail = hints["tail-detail"];
  const colour = colours.tail ?? (detail ? "white" : null);
  const parts = [stretch(ABDOMEN, from, to, colour, { ...options, seed: 50 })];
  if (detail === "buff-line")
    parts.push(stretch(ABDOMEN, from - 1, from + 14, "golden", { ...options, seed: 54, marked: false }));
  if (detail === "black-tip") parts.push(stretch(ABDOMEN, to - 34, to, NONE, { ...options, seed: 55 }));
  if (detail === "orange-tip") parts.push(stretch(ABDOMEN, to - 34, to, "orange", { ...options, seed: 56 }));
  if (detail === "yellow-sides") {
    for (const side of [-1, 1]) {
      const flank = { ...ABDOMEN, name: `flank${side}`, half: (u) => ABDOMEN.half(u) * 0.24 };
      const beside = { ...flank, shift: (u) => side * ABDOMEN.half(u) * 0.76 };
      parts.push(stretch(beside, from - 2, from + 40, "lemon", { ...options, seed: 57 }));
    }
  }
  return parts;
}

// The whole bee, lying with its head to the left, as a group in the units above.
export function beeGroup(hints) {
  const colours = coloursOf(hints);
  const coat = Object.hasOwn(COATS, hints.coat ?? "") ? COATS[hints.coat] : COATS.usual;
  const options = { coat };
  const bald = hints.condition === "bald";
  return svg(
    "g",
    { class: `bee-drawn ${hints.coat === "sparse" ? "bee-sparse" : ""}` },
    foreLegs(),
    wings(hints),
    hindLegs(hints),
    svg("path", { class: "waist", d: "M196 -30L226 -34L226 34L196 30Z" }),
    svg(
      "g",
      {},
      frontParts(colours, hints, options),
      middleParts(colours, options),
      tailParts(colours, hints, options),
      svg("path", { class: "terga", d: TERGA.map((u) => edge(ABDOMEN, u)).join("") }),
    ),
    head(hints),
    svg(
      "g",
      {},
      thoraxParts(colours, options),
      stretch(THORAX, PARTS.scutellum.from, PARTS.scutellum.to, colours.scutellum, { ...options, seed: 24 }),
      stretch(THORAX, PARTS.collar.from, PARTS.collar.to, colours.collar, { ...options, seed: 10 }),
    ),
    both(() => svg("ellipse", { class: "tegula", cx: 116, cy: 72, rx: 11, ry: 6.5, transform: "rotate(14 116 72)" })),
    bald
      ? svg("path", {
          class: "bald",
          d: "M118 -14C122 -36 142 -40 158 -32C176 -26 182 -6 174 12C172 30 152 40 138 34C120 32 112 6 118 -14Z",
        })
      : null,
    bald || hints.coat === "sparse"
      ? svg("path", { class: "gloss", d: "M124 -30C132 -42 150 -46 162 -40M300 -50C322 -58 346 -54 360 -46" })
      : null,
    svg("path", { class: "bee-edge", d: `${outline(THORAX, 72, 216)}${outline(ABDOMEN, 206, 446)}` }),
  );
}

export const WHOLE = { x: -74, y: -212, width: 540, height: 424 };

// What to look at for each character: the piece of the drawing that its pictures show.
const CROPS = {
  collar: [10, -104, 180, 208],
  thorax: [40, -112, 204, 224],
  scutellum: [110, -108, 200, 216],
  "front-band": [166, -116, 216, 232],
  abdomen: [218, -120, 246, 240],
  tail: [290, -116, 190, 232],
  belt: [166, -116, 216, 232],
  "tail-detail": [290, -116, 190, 232],
  shade: [10, -116, 280, 232],
  wings: [108, 48, 250, 178],
  antennae: [-76, -74, 170, 148],
  "hind-leg": [176, 62, 214, 116],
  "leg-hair": [176, 62, 214, 116],
  coat: [40, -112, 230, 224],
  condition: [40, -112, 400, 224],
};

// A picture of the bee as described (`hints`), or of a piece of it. Decoration: words always stand beside it.
export function drawBee(hints, { crop = null, upright = false, className = "" } = {}) {
  const { x, y, width, height } = WHOLE;
  const box = crop ?? (upright ? [-height / 2, x, height, width] : [x, y, width, height]);
  return svg(
    "svg",
    { class: `bee-picture ${className}`, viewBox: box.join(" "), "aria-hidden": "true", focusable: "false" },
    svg("g", upright ? { transform: "matrix(0 1 -1 0 0 0)" } : {}, beeGroup(hints)),
  );
}

// The states that the drawing can show; any other is left to words.
const COLOURS = Object.keys(HAIR);
const SHOWN = {
  collar: ["none", ...COLOURS],
  thorax: ["banded", ...COLOURS],
  scutellum: ["none", ...COLOURS],
  "front-band": ["none", ...COLOURS],
  abdomen: ["mixed", "pale", "banded", ...COLOURS],
  tail: COLOURS,
  belt: ["whole", "broken", "brown"],
  "tail-detail": ["plain", "buff-line", "yellow-sides", "black-tip", "orange-tip"],
  shade: ["lemon", "golden"],
  wings: ["clear", "dark"],
  antennae: ["long", "short"],
  "hind-leg": ["basket", "pollen", "hairy"],
  "leg-hair": ["black", "red", "pale"],
  coat: ["even", "shaggy", "sparse"],
  condition: ["fresh", "faded", "bald"],
};

const BANDED = { collar: "yellow", thorax: "black", "front-band": "yellow" };
const SHOWN_ON = {
  shade: BANDED,
  coat: BANDED,
  condition: { ...BANDED, scutellum: "none", abdomen: "black", tail: "white" },
};

// The bee as described with one state tried on, cropped to where it shows. null when it does not show from above.
export function tryOn(character, state, hints) {
  if (!Object.hasOwn(CROPS, character)) return null;
  if (state !== null && !SHOWN[character].includes(state)) return null;
  const crop = CROPS[character];
  const tried = { ...hints, [character]: state };
  if (state === null) delete tried[character];
  // What is about hair or bands needs some to show on; what was described goes before.
  if (state !== null && character in SHOWN_ON) Object.assign(tried, { ...SHOWN_ON[character], ...tried });
  return drawBee(tried, { crop });
}

// A plain outline of a bee in our units, for scales and scenes: her brow at 0, her tail at 446.
export const LENGTH = 446;

// Body length of a bee in mm by the width between her wing bases: our fit to a published specimen table, as in
// evidence/tone_size.py.
export const lengthOf = (itd_mm) => 3.72 * itd_mm ** 0.864;

export function silhouette(className) {
  return svg(
    "g",
    { class: className },
    both(() =>
      svg("path", {
        class: "silhouette-wing",
        d: "M120 66C170 72 290 96 384 152C404 166 400 186 374 188C316 190 200 146 120 78Z",
      }),
    ),
    svg("path", {
      class: "silhouette-body",
      d: `${outline(THORAX, 72, 216)}${outline(ABDOMEN, 206, 446)}M200 -34H224V34H200ZM80 -40C60 -56 30 -56 16 -34C6 -18 6 18 16 34C30 56 60 56 80 40Z`,
    }),
    both(() =>
      svg("path", {
        class: "silhouette-resting",
        d: "M114 50C170 34 310 40 404 74C420 86 404 104 378 102C290 104 180 88 114 64Z",
      }),
    ),
    both(() => svg("path", { class: "silhouette-feeler", d: "M12 12C6 20 -6 34 -16 40C-30 42 -48 48 -62 60" })),
  );
}
