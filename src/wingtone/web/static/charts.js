// The pictures of numbers: bars of chance, weights, sizes on a millimetre scale, weeks on the wing.
//
// Numbers always stand beside their bars as text, so that nobody has to read a length or a colour.

import { LENGTH, lengthOf, silhouette } from "./bee_drawings.js";
import { el, svg } from "./dom.js";

const WEEKS = 53;
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const MONTH_NAMES = [
  "January",
  "February",
  "March",
  "April",
  "May",
  "June",
  "July",
  "August",
  "September",
  "October",
  "November",
  "December",
];

// 0.553 -> "55 %"; the ends are never rounded to what is not meant.
export function percent(share) {
  const whole = Math.round(100 * share);
  return whole < 1 ? "under 1 %" : whole > 99 ? "over 99 %" : `${whole} %`;
}

// A bar as wide as its share of 1. Decoration: the number stands beside it.
export function bar(share, className = "") {
  const fill = el("span", { class: "bar-fill" });
  fill.style.inlineSize = `${Math.max(0.4, 100 * Math.min(1, share))}%`;
  return el("span", { class: `bar ${className}`, "aria-hidden": "true" }, fill);
}

// A weight in bits as a bar to the right (for) or the left (against) of a middle line; six bits fill a side.
const MOST_BITS = 6;

export function weight(bits) {
  const fill = el("span", { class: `weight-fill ${bits < 0 ? "against" : "for"}` });
  const width = 50 * Math.min(1, Math.abs(bits) / MOST_BITS);
  fill.style.inlineSize = `${width}%`;
  fill.style.insetInlineStart = bits < 0 ? `${50 - width}%` : "50%";
  return el("span", { class: "weight", "aria-hidden": "true" }, fill);
}

const bitsOf = new Intl.NumberFormat("en-GB", {
  minimumFractionDigits: 1,
  maximumFractionDigits: 1,
  signDisplay: "exceptZero",
});

export function bitsWords(bits) {
  const number = bitsOf.format(bits).replace("-", "−");
  if (Math.abs(bits) < 0.05) return "0 bits: hardly tells";
  const times = 2 ** Math.abs(bits);
  const factor = times >= 100 ? "over 100" : times >= 10 ? Math.round(times) : times.toFixed(1);
  return `${number} bits, ${bits > 0 ? "for" : "against"}: odds ${bits > 0 ? "×" : "÷"} ${factor}`;
}

// --- size ------------------------------------------------------------------------------------------------------

const FROM_MM = -2.5; // room for the feelers
const TO_MM = 22;
const HALF_MM = 4.4;

// A bee lying on a scale: brow at 0, tail at her length. `inner` is drawn inside; `whisker` is a span of lengths.
function onScale(itd_mm, { className, inner = null, whisker = null } = {}) {
  const drawn = (itd, name) =>
    svg("g", { transform: `scale(${(lengthOf(itd) / LENGTH).toFixed(5)})` }, silhouette(name));
  return svg(
    "svg",
    {
      class: "size-bee",
      viewBox: `${FROM_MM} ${-HALF_MM} ${TO_MM - FROM_MM} ${2 * HALF_MM}`,
      "aria-hidden": "true",
      focusable: "false",
    },
    drawn(itd_mm, className),
    inner ? drawn(inner, "size-smallest") : null,
    whisker
      ? svg("path", {
          class: "size-whisker",
          d: `M${whisker[0].toFixed(2)} 0H${whisker[1].toFixed(2)}M${whisker[0].toFixed(2)} -1.1v2.2M${whisker[1].toFixed(2)} -1.1v2.2`,
        })
      : null,
  );
}

const mm = (value) => value.toFixed(1);

// `size` is answer.pictures.size; `summary` the model's own sentence.
export function sizeFigure(size, summary) {
  const entry = (name, words, drawing, className = "") =>
    el(
      "li",
      { class: `size-row ${className}` },
      el("span", { class: "size-name" }, name, el("span", { class: "soft small number" }, words)),
      el("span", { class: "size-place" }, drawing),
    );
  const between = ({ itd_low_mm, itd_high_mm }) => `${mm(itd_low_mm)} to ${mm(itd_high_mm)} mm`;
  const ticks = [0, 5, 10, 15, 20].map((at) => {
    const tick = el("span", {}, at === 20 ? "20 mm" : String(at));
    tick.style.insetInlineStart = `${(100 * (at - FROM_MM)) / (TO_MM - FROM_MM)}%`;
    return tick;
  });
  return el(
    "figure",
    { class: "size-figure" },
    el("figcaption", {}, summary),
    el(
      "ul",
      { class: "size-rows" },
      entry(
        "This bee",
        between(size),
        onScale(size.itd_high_mm, { className: "size-largest", inner: size.itd_low_mm }),
        "size-this",
      ),
      size.beside.map((other) =>
        entry(
          [`${other.vernacular}, `, other.caste],
          between(other),
          onScale(other.itd_mm, {
            className: "size-other",
            whisker: [lengthOf(other.itd_low_mm), lengthOf(other.itd_high_mm)],
          }),
        ),
      ),
    ),
    el("div", { class: "size-scale", "aria-hidden": "true" }, el("span", { class: "size-ticks" }, ticks)),
    el(
      "p",
      { class: "soft small" },
      "Numbers: between the wing bases. Drawings: the whole bee on one scale of millimetres. Of this bee, the dark shape is the smallest that it may be, the dashed one the largest; the bar at a tail spans nine in ten of its kind.",
    ),
  );
}

// --- season ------------------------------------------------------------------------------------------------------

// "late March" for a week of the year.
export function weekWords(week) {
  const day = new Date(Date.UTC(2026, 0, 1 + Math.round((week - 0.5) * 7)));
  if (day.getUTCFullYear() > 2026) return "late December";
  const part = day.getUTCDate() <= 10 ? "early" : day.getUTCDate() <= 20 ? "mid" : "late";
  return `${part} ${MONTH_NAMES[day.getUTCMonth()]}`;
}

// Week 1 to 53 of an ISO date.
export function weekOf(date) {
  const [year, month, day] = date.split("-").map(Number);
  const days = (Date.UTC(year, month - 1, day) - Date.UTC(year, 0, 1)) / 86_400_000;
  return Math.min(WEEKS, Math.floor(days / 7) + 1);
}

const LOW = 0.1;

// When a taxon flies, in words.
function seasonWords(weeks) {
  const most = Math.max(...weeks);
  if (!(most > 0)) return "no time of flight known";
  const on = weeks.map((share) => share >= LOW * most);
  if (on.every(Boolean)) return `all year, most in ${weekWords(weeks.indexOf(most) + 1)}`;
  // Longest run on the ring of the year.
  let best = { from: 0, length: 0 };
  for (let from = 0; from < WEEKS; from++) {
    let length = 0;
    while (length < WEEKS && on[(from + length) % WEEKS]) length++;
    if (length > best.length) best = { from, length };
  }
  return `${weekWords(best.from + 1)} to ${weekWords(((best.from + best.length - 1) % WEEKS) + 1)}, most in ${weekWords(weeks.indexOf(most) + 1)}`;
}

function weekBars(weeks, week, most) {
  const bars = weeks.map((share, i) => {
    const height = most > 0 ? (20 * share) / most : 0;
    return height > 0.05 ? `M${(i + 0.12).toFixed(2)} 22v${(-height).toFixed(2)}h.76v${height.toFixed(2)}z` : "";
  });
  return svg(
    "svg",
    {
      class: "week-bars",
      viewBox: `0 0 ${WEEKS} 23`,
      preserveAspectRatio: "none",
      "aria-hidden": "true",
      focusable: "false",
    },
    svg("path", { class: "week-ground", d: `M0 22H${WEEKS}` }),
    svg("path", { class: "week-fill", d: bars.join("") }),
    week ? svg("path", { class: "week-now", d: `M${week - 0.5} 0V23`, "vector-effect": "non-scaling-stroke" }) : null,
  );
}

function monthScale() {
  const names = MONTHS.map((name, i) => {
    const tick = el(
      "span",
      {},
      el("span", { class: "month-long" }, name),
      el("span", { class: "month-short" }, name[0]),
    );
    tick.style.insetInlineStart = `${((i * 30.44 + 15) / 371) * 100}%`;
    return tick;
  });
  return el("div", { class: "month-scale", "aria-hidden": "true" }, names);
}

// `rows`: [{name, weeks, words?}]; `week` is marked, `mark` says what it is. Bars share one scale with `common`.
export function seasonFigure(rows, { week = null, mark = "", caption = "", common = false } = {}) {
  const all = Math.max(0, ...rows.flatMap(({ weeks }) => weeks));
  return el(
    "figure",
    { class: "season-figure" },
    el("figcaption", {}, caption),
    el(
      "ul",
      { class: "season-rows" },
      rows.map(({ name, weeks, words }) =>
        el(
          "li",
          { class: "season-row" },
          el("span", { class: "season-name" }, name, el("span", { class: "soft small" }, words ?? seasonWords(weeks))),
          el("span", { class: "season-bars" }, weekBars(weeks, week, common ? all : Math.max(...weeks))),
        ),
      ),
    ),
    el("div", { class: "season-foot" }, monthScale()),
    week
      ? el(
          "p",
          { class: "small week-mark" },
          el("span", { class: "week-key", "aria-hidden": "true" }),
          `${mark}: ${weekWords(week)}, week ${week}`,
        )
      : null,
  );
}
