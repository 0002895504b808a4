// The body of a bee from above and the hair on it: what `bee_drawings.js` puts a bee together from.
//
// Head on the left, tail on the right, 20 units a millimetre for a bee of 6 mm between the wing bases. A body is
// told by its half-width along the axis; a part of the body is a stretch of it. Points of a part are (u, v): u
// along the axis, v from -1 (her right side) to 1 (her left side). Edges of parts are bent as bands on a round
// body are. Hair is many short strokes in one path, from a random row that is always the same.
//
// Colour is never the only mark: each has its strokes, after the hatching that engravers use for coats of arms
// (yellow dotted, red in long lines, white plain; from memory), the others ours.

import { svg } from "./dom.js";

export const HAIR = {
  white: { coat: "#f3efe3", dark: "#bdb5a2", light: "#ffffff", mark: null },
  buff: { coat: "#dfc593", dark: "#a5874e", light: "#f2e2bf", mark: "ticks" },
  lemon: { coat: "#f4e04a", dark: "#a89a12", light: "#fff6a6", mark: "rings" },
  yellow: { coat: "#f0c52e", dark: "#a57a0c", light: "#ffe88a", mark: "dots" },
  golden: { coat: "#e0a11b", dark: "#8a5a08", light: "#f8cf6c", mark: "dots" },
  ginger: { coat: "#b8692c", dark: "#6e3810", light: "#dd9c60", mark: "slants" },
  brown: { coat: "#8a5f3a", dark: "#4b2f17", light: "#b48a62", mark: "slants" },
  orange: { coat: "#e8852a", dark: "#9a4a08", light: "#ffb673", mark: "dashes" },
  red: { coat: "#bb3420", dark: "#6c140a", light: "#e77b62", mark: "lines" },
  grey: { coat: "#a3a199", dark: "#63615a", light: "#cfcdc6", mark: "bars" },
  black: { coat: "#26211c", dark: "#0b0907", light: "#5d554b", mark: null },
};

export const NONE = "black"; // "no coloured hair here" shows the black coat

// The same row of numbers each time, 0..1 (mulberry32, a public-domain generator).
export function row(seed) {
  let a = seed >>> 0;
  return () => {
    a = (a + 0x6d2b79f5) | 0;
    let t = Math.imul(a ^ (a >>> 15), 1 | a);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

// --- the shape of the body ---------------------------------------------------------------------------------

const oval = (from, to, half, power) => (u) => {
  const t = Math.min(1, Math.abs((2 * u - from - to) / (to - from)));
  return half * (1 - t ** power) ** (1 / power);
};

// Widest before its middle, round at the front, drawn out to a blunt tip.
function drop(from, widest, to, half) {
  return (u) => {
    if (u <= widest) return half * Math.sqrt(Math.max(0, 1 - ((widest - u) / (widest - from)) ** 2));
    const t = Math.min(1, (u - widest) / (to - widest));
    return half * Math.max(0, 1 - t ** 2.5) ** 0.46;
  };
}

export const THORAX = {
  name: "thorax",
  from: 72,
  to: 216,
  half: oval(56, 232, 86, 2.4),
  bend: (u) => 24 * (1 - (2 * (u - 72)) / 144),
};
export const ABDOMEN = {
  name: "abdomen",
  from: 206,
  to: 446,
  half: drop(206, 292, 446, 98),
  bend: (u) => -16 * Math.min(1, Math.max(0, (u - 216) / 40)),
};

// Stretches of the axis, from head to tail. Terga 1 and 2 carry the front band, 3 and 4 the middle, the rest the tail.
export const PARTS = {
  collar: { body: THORAX, from: 72, to: 104 },
  thorax: { body: THORAX, from: 104, to: 184 },
  scutellum: { body: THORAX, from: 184, to: 216 },
  "front-band": { body: ABDOMEN, from: 206, to: 274 },
  abdomen: { body: ABDOMEN, from: 274, to: 362 },
  tail: { body: ABDOMEN, from: 362, to: 446 },
};

export const TERGA = [236, 274, 318, 362, 402]; // hind edges of terga 1 to 5

const at = (body, u, v) => {
  const half = body.half(u);
  return [u + body.bend(u) * v * v * Math.min(1, half / 50), (body.shift?.(u) ?? 0) + v * half];
};

const STEPS = 24;

// Shapes never change, so each is reckoned once.
function once(make) {
  const known = new Map();
  return (body, ...rest) => {
    const key = `${body.name} ${JSON.stringify(rest)}`;
    if (!known.has(key)) known.set(key, make(body, ...rest));
    return known.get(key);
  };
}

export const outline = once((body, from, to) => {
  const points = [];
  for (let i = 0; i <= STEPS; i++) points.push(at(body, to, -1 + (2 * i) / STEPS));
  for (let i = 0; i <= STEPS; i++) points.push(at(body, to + ((from - to) * i) / STEPS, 1));
  for (let i = 0; i <= STEPS; i++) points.push(at(body, from, 1 - (2 * i) / STEPS));
  for (let i = 0; i <= STEPS; i++) points.push(at(body, from + ((to - from) * i) / STEPS, -1));
  return `M${points.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join("L")}Z`;
});

export const edge = once((body, u) => {
  const points = [];
  for (let i = 0; i <= 16; i++) points.push(at(body, u, -0.97 + (1.94 * i) / 16));
  return `M${points.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join("L")}`;
});

// --- hair ----------------------------------------------------------------------------------------------------

export const COATS = {
  even: { many: 1.1, long: 0.62 },
  shaggy: { many: 1.1, long: 1.75 },
  sparse: { many: 0.4, long: 0.8 },
  usual: { many: 1, long: 1 },
};

// Strokes of hair of one stretch, as path data: inside it, or standing out from its edge.
export const strokes = once((body, from, to, { many, long, seed, rim = false }) => {
  const random = row(seed);
  const middle = (body.from + body.to) / 2;
  const length = (body.to - body.from) / 2;
  let path = "";
  for (let i = 0; i < many; i++) {
    // The rim is both sides, and the front or rear end where the part has one.
    const end =
      rim && i % 3 === 0 && (from === body.from || to === body.to) && body.half(from === body.from ? from : to) > 20;
    const u = end ? (from === body.from ? from : to) : from + (to - from) * random();
    const v = end
      ? 1.9 * (random() - 0.5)
      : rim
        ? (random() < 0.5 ? -1 : 1) * (0.93 + 0.07 * random())
        : Math.sin((random() - 0.5) * Math.PI) * 0.98;
    const [x, y] = at(body, Math.min(body.to - 1, Math.max(body.from + 1, u)), v);
    // Hair lies back and stands away from the middle line; at the very front it stands forward.
    let dx = 0.55 + 0.75 * ((x - middle) / length) + 0.5 * (random() - 0.5);
    let dy = 1.1 * v + 0.55 * (random() - 0.5);
    const norm = Math.hypot(dx, dy) || 1;
    const reach = (long * (0.6 + 0.8 * random())) / norm;
    dx *= reach;
    dy *= reach;
    const curl = 0.25 * (random() - 0.5);
    path += `M${x.toFixed(1)} ${y.toFixed(1)}q${(dx * 0.5 - dy * curl).toFixed(1)} ${(dy * 0.5 + dx * curl).toFixed(1)} ${dx.toFixed(1)} ${dy.toFixed(1)}`;
  }
  return path;
});

// The mark of a colour, laid evenly over a stretch.
const marks = once((body, kind, from, to) => {
  const paths = [];
  const span = to - from;
  const rows = Math.max(1, Math.round(span / 15));
  for (let i = 0; i < rows; i++) {
    const u = from + (span * (i + 0.5)) / rows;
    const half = body.half(u);
    const across = Math.max(3, Math.round(half / 8.5));
    for (let j = 0; j < across; j++) {
      const v = (-1 + (2 * (j + (i % 2 ? 0.75 : 0.25))) / across) * 0.94;
      const [x, y] = at(body, u, v);
      const to2 = (dx, dy) => `M${(x - dx / 2).toFixed(1)} ${(y - dy / 2).toFixed(1)}l${dx} ${dy}`;
      if (kind === "dots") paths.push(`M${x.toFixed(1)} ${y.toFixed(1)}h.01`);
      if (kind === "rings")
        paths.push(`M${(x - 2.2).toFixed(1)} ${y.toFixed(1)}a2.2 2.2 0 1 0 4.4 0a2.2 2.2 0 1 0 -4.4 0`);
      if (kind === "ticks") paths.push(to2(5, 0));
      if (kind === "dashes") paths.push(to2(8, 0));
      if (kind === "lines") paths.push(to2(15, 0));
      if (kind === "slants") paths.push(to2(9, 9));
      if (kind === "bars") paths.push(to2(0, 9));
    }
  }
  return paths.join("");
});

function markStyle(kind) {
  if (kind === "dots") return { "stroke-width": 4.4, opacity: 0.62 };
  if (kind === "lines" || kind === "dashes") return { "stroke-width": 2.2, opacity: 0.8 };
  return { "stroke-width": 1.7, opacity: 0.75 };
}

export function faded(colour) {
  if (!colour || colour === NONE) return colour;
  return (
    { red: "orange", orange: "ginger", ginger: "buff", golden: "lemon", yellow: "lemon", lemon: "buff", buff: "white" }[
      colour
    ] ?? colour
  );
}

// One stretch in one colour: coat, strokes, marks, rim. Without a colour: pencil only.
export function stretch(body, from, to, colour, { coat = COATS.usual, seed = 1, marked = true } = {}) {
  const area = (to - from) * body.half((from + to) / 2);
  const many = Math.round((area / 26) * coat.many);
  const rim = Math.round((to - from) * 1.3 * coat.many) + 12;
  if (!colour) {
    return svg(
      "g",
      { class: "sketch" },
      svg("path", { class: "sketch-coat", d: outline(body, from, to) }),
      svg("path", {
        class: "sketch-hair",
        d: strokes(body, from, to, { many: rim / 2, long: 9 * coat.long, seed, rim: true }),
      }),
    );
  }
  const hair = HAIR[colour];
  return svg(
    "g",
    { class: `hair hair-${colour}`, "stroke-linecap": "round", fill: "none" },
    svg("path", {
      d: strokes(body, from, to, { many: rim, long: 13 * coat.long, seed: seed + 1, rim: true }),
      stroke: hair.coat,
      "stroke-width": 3,
    }),
    svg("path", { d: outline(body, from, to), fill: hair.coat, stroke: hair.coat, "stroke-width": 0.6 }),
    svg("path", {
      d: strokes(body, from, to, { many, long: 13 * coat.long, seed: seed + 2 }),
      stroke: hair.dark,
      "stroke-width": 1.1,
      opacity: 0.55,
    }),
    svg("path", {
      d: strokes(body, from, to, { many: many * 0.7, long: 13 * coat.long, seed: seed + 3 }),
      stroke: hair.light,
      "stroke-width": 1.2,
      opacity: 0.75,
    }),
    svg("path", {
      d: strokes(body, from, to, { many: rim, long: 11 * coat.long, seed: seed + 4, rim: true }),
      stroke: hair.dark,
      "stroke-width": 0.9,
      opacity: 0.7,
    }),
    marked && hair.mark
      ? svg("path", {
          class: "mark",
          d: marks(body, hair.mark, from + 2, to - 2),
          stroke: hair.dark,
          ...markStyle(hair.mark),
        })
      : null,
  );
}
