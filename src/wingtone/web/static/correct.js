// The bouts as a list, and the machine corrected: the chosen bout unfolds to what can be changed about it.

import { KINDS, SHORTEST_S, measuredFor } from "./bouts.js";
import { clock, count, el, steady, trouble } from "./dom.js";

const OCTAVES = [
  ["0", "as heard"],
  ["-1", "an octave lower"],
  ["1", "an octave higher"],
];

const FLAG_WORDS = {
  "two tones": "two tones at once",
  "fundamental missing": "lowest line missing",
  "low level": "faint",
};

export function correcting({ clip, bench, reveal, hear, length }) {
  const list = el("ol", { class: "ruled bouts", "aria-label": "Bouts" });
  const said = el("p", { class: "soft small", role: "status" });
  const undo = el("button", { type: "button", class: "quiet", on: { click: () => bench.undo() } }, "Undo");
  const restore = el(
    "button",
    { type: "button", class: "quiet", on: { click: () => bench.state.value.busy || bench.restore() } },
    "Put the machine's back",
  );
  const sendAgain = el("button", { type: "button", on: { click: () => bench.send() } }, "Send again");
  const fault = el("div", {});
  const title = el("h2", { id: "bouts-title", tabindex: "-1" }, "Bouts");
  const element = el(
    "section",
    { class: "paper", "aria-labelledby": "bouts-title" },
    el("div", { class: "row spread" }, title, el("div", { class: "row" }, undo, restore)),
    said,
    fault,
    list,
  );

  const between = ({ start_s, end_s }) =>
    length.value > 120
      ? `${clock(start_s, 2)} to ${clock(end_s, 2)}`
      : `${start_s.toFixed(2)} to ${end_s.toFixed(2)} s`;

  const toneOf = (bout) => {
    const measured = measuredFor(bout, clip.value);
    if (measured?.f0_hz === undefined || measured?.f0_hz === null)
      return { short: "no tone", long: "no tone could be measured here", flags: [] };
    const [f, low, high] = [measured.f0_hz, measured.f0_low_hz, measured.f0_high_hz];
    return {
      short: `${f.toFixed(0)} Hz`,
      long: `${f.toFixed(1)} Hz (${low.toFixed(1)} to ${high.toFixed(1)}, 95\u00a0% interval)`,
      flags: measured.flags ?? [],
    };
  };

  // --- one bout --------------------------------------------------------------------------------------------

  function row(bout, i) {
    const open = bench.chosen.value === bout.key;
    const tone = toneOf(bout);
    const summary = el(
      "button",
      {
        type: "button",
        class: "bout-line",
        "aria-expanded": String(open),
        "data-keep": `bout ${bout.key}`,
        on: {
          click: () => {
            bench.choose(open ? null : bout.key);
            if (open) return;
            reveal(bout);
            if (!hear.playing) hear.moved(bout.start_s);
          },
        },
      },
      el("span", { class: "swatch", "data-kind": bout.kind, "aria-hidden": "true" }),
      el("span", { class: "bout-kind" }, KINDS[bout.kind].word),
      el("span", { class: "number bout-time" }, between(bout)),
      el("span", { class: "number bout-tone" }, tone.short),
    );
    const playIt = el(
      "button",
      {
        type: "button",
        class: "quiet tool",
        "aria-label": `Play bout ${i + 1}`,
        title: "Play this bout",
        "data-keep": `play ${bout.key}`,
        on: { click: () => hear.play(bout.start_s, bout.end_s) },
      },
      "▶",
    );
    return el(
      "li",
      { "data-open": String(open) },
      el(
        "div",
        { class: "bout-head" },
        el("span", { class: "bout-number number", "aria-hidden": "true" }, i + 1),
        summary,
        playIt,
      ),
      open ? editor(bout, i, tone) : null,
    );
  }

  function editor(bout, i, tone) {
    const { key } = bout;
    const kinds = el(
      "fieldset",
      { class: "kinds" },
      el("legend", { class: "small" }, "This is"),
      Object.entries(KINDS).map(([kind, { word }]) =>
        el(
          "label",
          { class: "kind" },
          el("input", {
            type: "radio",
            name: `kind-${key}`,
            value: kind,
            checked: bout.kind === kind,
            "data-keep": `kind ${kind} ${key}`,
            on: { change: () => bench.change(key, { kind }) },
          }),
          el("span", { class: "swatch", "data-kind": kind, "aria-hidden": "true" }),
          word,
        ),
      ),
    );
    const time = (name, words) =>
      el(
        "label",
        { class: "small" },
        words,
        el("input", {
          type: "number",
          class: "number",
          step: "0.01",
          min: "0",
          max: length.value.toFixed(2),
          value: bout[name].toFixed(2),
          required: true,
          "data-keep": `${name} ${key}`,
          on: {
            change: (event) => {
              const t = event.target.valueAsNumber;
              const moved = { ...bout, [name]: t };
              const fits =
                Number.isFinite(t) &&
                t >= 0 &&
                t <= length.value + 0.005 &&
                moved.end_s - moved.start_s >= SHORTEST_S;
              event.target.setCustomValidity(
                fits ? "" : "The start comes before the end, both within the recording.",
              );
              if (!fits) return event.target.reportValidity();
              // Only once Tab has gone on: the list is drawn anew, and the next field would not be there any more.
              setTimeout(() => bench.change(key, { [name]: Math.min(t, length.value) }));
            },
          },
        }),
        "s",
      );
    const octave = el(
      "label",
      { class: "small" },
      "Its tone is",
      el(
        "select",
        {
          "data-keep": `octave ${key}`,
          on: { change: (event) => bench.change(key, { octave: Number(event.target.value) }) },
        },
        OCTAVES.map(([value, words]) =>
          el("option", { value, selected: Number(value) === bout.octave }, words),
        ),
      ),
    );
    const drop = el(
      "button",
      {
        type: "button",
        class: "quiet",
        "data-keep": `drop ${key}`,
        on: {
          click: () => {
            bench.drop(key);
            (list.querySelectorAll(".bout-line")[Math.min(i, bench.bouts.value.length - 1)] ?? undo).focus();
          },
        },
      },
      "Drop this bout",
    );
    const flags = tone.flags.length
      ? ` Heard with it: ${tone.flags.map((flag) => FLAG_WORDS[flag] ?? flag).join(", ")}.`
      : "";
    return el(
      "div",
      { class: "bout-editor", role: "group", "aria-label": `Correct bout ${i + 1}` },
      el("p", { class: "small number" }, `${tone.long}.${flags}`),
      kinds,
      el("div", { class: "row" }, time("start_s", "from"), time("end_s", "to"), octave, drop),
    );
  }

  // --- all of them -------------------------------------------------------------------------------------------

  const redraw = steady(list, () => {
    const keep = list.contains(document.activeElement) ? document.activeElement.dataset.keep : null;
    list.replaceChildren(...bench.bouts.value.map(row));
    if (keep)
      [...list.querySelectorAll("[data-keep]")]
        .find((node) => node.dataset.keep === keep)
        ?.focus({ preventScroll: true });
  });

  function draw() {
    redraw();
    tell();
  }

  let told = null; // the fault that stands there

  function tell() {
    const { busy, error } = bench.state.value;
    const of = (kind) => bench.bouts.value.filter((bout) => bout.kind === kind).length;
    const found = [
      of("flight") && count(of("flight"), "flight"),
      of("sonication") && count(of("sonication"), "flower buzz", "flower buzzes"),
      of("uncertain") && `${of("uncertain")} unsure`,
    ]
      .filter(Boolean)
      .join(", ");
    const words = busy
      ? "Measuring again…"
      : `${found || "No bouts"}${bench.corrected ? ", corrected by you" : found ? ", as the machine heard it" : ". Drag in the band above the strip to mark one"}.`;
    // The same once more would be read out once more.
    if (said.textContent !== words) said.textContent = words;
    if (told !== error) {
      if (document.activeElement === sendAgain) title.focus(); // what goes must not take the focus with it
      fault.replaceChildren(...(error ? [trouble(error), sendAgain] : []));
    }
    told = error;
    sendAgain.hidden = !bench.unsent;
    for (const [button, needed] of [
      [undo, bench.canUndo],
      [restore, Boolean(clip.value.corrections)],
    ]) {
      if (!needed && document.activeElement === button) title.focus();
      button.hidden = !needed;
    }
    restore.setAttribute("aria-disabled", String(busy));
  }

  // While a handle is dragged only the figures change: a list made anew at each step would lose its place.
  let order = "";
  function boutsChanged() {
    const now = bench.bouts.value.map(({ key, kind, octave }) => `${key} ${kind} ${octave}`).join();
    if (now === order && dragging()) {
      bench.bouts.value.forEach((bout, i) => {
        const time = list.children[i]?.querySelector(".bout-time"); // a list that waits to be drawn may be shorter
        if (time) time.textContent = between(bout);
      });
      return;
    }
    order = now;
    draw();
  }
  const dragging = () => document.activeElement?.classList.contains("end");

  const stops = [
    bench.bouts.subscribe(boutsChanged),
    bench.chosen.subscribe(draw),
    bench.state.subscribe(({ busy }) => (busy ? tell() : draw())),
  ];
  draw();
  return {
    element,
    leave() {
      for (const stop of stops) stop();
    },
  };
}
