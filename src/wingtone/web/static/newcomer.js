// The empty desk: what one does here, in three steps, each with a small drawing of our own.

import { el, svg } from "./dom.js";

const STEPS = [
  [
    "Bring the sound",
    "Half a minute from your phone is enough, best from within arm's length of the bee. A big bee hums low, a small one high.",
    hums,
  ],
  ["Say what you saw", "Collar, tail, face: as much or as little as you are sure of.", coat],
  [
    "Read the answer, keep the record",
    "Which bumblebees remain, how sure that is, and why. What you keep goes into your notebook, on this computer.",
    page,
  ],
];

export const newcomer = () =>
  el(
    "ol",
    { class: "steps" },
    STEPS.map(([title, text, draw]) =>
      el(
        "li",
        {},
        svg("svg", { viewBox: "0 0 280 108", "aria-hidden": "true", class: "step-drawing" }, draw()),
        el("h2", {}, title),
        el("p", { class: "soft" }, text),
      ),
    ),
  );

// A stretch of an ellipse about (cx, 0), from x to x: the bands of the coat.
function band(cx, rx, ry, from, to) {
  const edge = (x) => ry * Math.sqrt(Math.max(0, 1 - ((x - cx) / rx) ** 2));
  const xs = Array.from({ length: 13 }, (_, i) => from + ((to - from) * i) / 12);
  const above = xs.map((x) => `${x},${-edge(x)}`);
  const below = xs.map((x) => `${x},${edge(x)}`).reverse();
  return svg("polygon", { points: [...above, ...below].join(" ") });
}

// A bumblebee from above, head to the right, about 50 long at size 1.
function bee(x, y, size) {
  const part = (name, ...shapes) => svg("g", { class: name }, shapes);
  const wing = (side) =>
    svg("ellipse", {
      cx: -8,
      cy: 9 * side,
      rx: 15,
      ry: 5.2,
      transform: `rotate(${-30 * side} 6 ${7 * side})`,
    });
  return svg(
    "g",
    { transform: `translate(${x} ${y}) scale(${size})` },
    part("draw-wing", wing(-1), wing(1)),
    part(
      "draw-coat",
      band(-11, 15, 10.5, -26, 4),
      band(7, 9.5, 9.5, -2.5, 16.5),
      svg("circle", { cx: 19, cy: 0, r: 5 }),
    ),
    part("draw-pollen", band(-11, 15, 10.5, -9, -3), band(7, 9.5, 9.5, 10.5, 15)),
    part("draw-tail", band(-11, 15, 10.5, -26, -20)),
  );
}

function wave(x, y, length, waves, height) {
  const points = Array.from({ length: waves * 16 + 1 }, (_, i) => {
    const fade = Math.min(1, i / 16, (waves * 16 - i) / 16);
    return `${(x + (length * i) / (waves * 16)).toFixed(1)},${(y - height * fade * Math.sin((i / 16) * 2 * Math.PI)).toFixed(1)}`;
  });
  return svg("polyline", { points: points.join(" "), class: "draw-line" });
}

function hums() {
  return [bee(44, 34, 1.1), wave(88, 34, 180, 6, 15), bee(44, 86, 0.62), wave(88, 86, 180, 15, 8)];
}

function coat() {
  const word = (x, y, text) => svg("text", { x, y, class: "draw-word" }, text);
  const lead = (points) => svg("polyline", { points, class: "draw-lead" });
  return [
    bee(150, 54, 1.75),
    lead("172,44 200,18 212,18"),
    word(216, 23, "collar"),
    lead("110,54 82,78 70,78"),
    word(38, 83, "tail"),
  ];
}

function page() {
  const row = (y, share) => [
    svg("rect", { x: 96, y, width: 128, height: 13, rx: 6.5, class: "draw-trough" }),
    svg("rect", { x: 96, y, width: 128 * share, height: 13, rx: 6.5, class: "draw-pollen" }),
    svg("line", { x1: 44, x2: 84, y1: y + 7, y2: y + 7, class: "draw-line" }),
  ];
  return [
    svg("rect", { x: 24, y: 8, width: 216, height: 88, rx: 7, class: "draw-page" }),
    row(21, 0.78),
    row(46, 0.3),
    row(71, 0.12),
  ];
}
