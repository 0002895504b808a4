// What is to be minded of an answer or a record: {code, text} as the program gives it, the grave ones marked.

import { el, sentence } from "./dom.js";

const GRAVE = [
  "report it",
  "hint does not fit",
  "tone does not fit",
  "date does not fit",
  "not known from here",
  "outside",
  "many bees",
  "damaged",
  "no bee heard",
];

const caution = ({ code, text }) =>
  el(
    "li",
    { class: GRAVE.includes(code) ? "grave" : "" },
    GRAVE.includes(code) ? el("strong", {}, "Mind: ") : null,
    sentence(text),
  );

// A list of them; null when there is nothing.
export const cautionList = (cautions) =>
  cautions.length ? el("ul", { class: "cautions" }, cautions.map(caution)) : null;
