// The two ends of the chosen bout: taken hold of with a pointer or a finger, or moved with the arrow keys.

import { SHORTEST_S } from "./bouts.js";
import { el } from "./dom.js";
import { between, round } from "./strip_numbers.js";

const STEP_S = 0.02; // an arrow key

// Where things are on the strip: xOf(seconds), timeAt(px), localX(event), width().
export function boutEnd(end, { bench, length, xOf, timeAt, localX, width }) {
  const name = `${end}_s`;
  const node = el("div", { class: `end end-${end}`, role: "slider", tabindex: "0", hidden: true });
  let bout = null;

  const limits = () =>
    end === "start" ? [0, bout.end_s - SHORTEST_S] : [bout.start_s + SHORTEST_S, length.value];
  const put = (t) => bench.drag(bout.key, { [name]: round(between(limits()[0], t, limits()[1])) });

  let grip = null;
  node.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    node.focus({ preventScroll: true });
    node.setPointerCapture(event.pointerId);
    grip = localX(event) - xOf(bout[name]);
  });
  node.addEventListener("pointermove", (event) => grip !== null && put(timeAt(localX(event) - grip)));
  for (const over of ["pointerup", "pointercancel"]) {
    node.addEventListener(over, () => {
      grip = null;
      bench.settle();
    });
  }
  let keyTimer = 0;
  node.addEventListener("keydown", (event) => {
    const by = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10 }[
      event.key
    ];
    if (by === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    put(bench.find(bout.key)[name] + by * STEP_S * (event.shiftKey ? 10 : 1)); // `bout` is as it was last drawn
    clearTimeout(keyTimer);
    keyTimer = setTimeout(() => bench.settle(), 250); // several presses are one change
  });
  node.addEventListener("blur", () => bench.settle());

  return {
    node,
    place(now) {
      bout = now;
      const x = bout ? xOf(bout[name]) : -1;
      node.hidden = !bout || x < -1 || x > width() + 1;
      if (node.hidden) return;
      node.style.left = `${x}px`;
      const [low, high] = limits();
      node.setAttribute(
        "aria-label",
        `${end === "start" ? "Start" : "End"} of bout ${bench.index(bout.key) + 1}`,
      );
      node.setAttribute("aria-valuemin", low.toFixed(2));
      node.setAttribute("aria-valuemax", high.toFixed(2));
      node.setAttribute("aria-valuenow", bout[name].toFixed(2));
      node.setAttribute("aria-valuetext", `${bout[name].toFixed(2)} seconds`);
    },
  };
}
