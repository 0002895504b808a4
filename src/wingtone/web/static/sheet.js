// The printable sheet of a record: the bee drawn as she was described, a way back, and a button that prints.
// The sheet is complete without it.

import { drawBee } from "./bee_drawings.js";
import { el } from "./dom.js";

for (const place of document.querySelectorAll("[data-hints]")) {
  const hints = JSON.parse(place.dataset.hints);
  if (Object.keys(hints).length) place.append(drawBee(hints));
  else place.hidden = true;
}

const number = location.pathname.split("/").at(-1);
document.body.prepend(
  el(
    "nav",
    { class: "sheet-tools", "aria-label": "Sheet" },
    el("a", { href: `/#notebook/${number}` }, "← Back to the record"),
    el("button", { type: "button", on: { click: () => window.print() } }, "Print"),
  ),
);
