// One record: what it says, how to change it, and everything it ever said.

import { drawBee } from "./bee_drawings.js";
import { cautionList } from "./cautions.js";
import { bar, bitsWords, percent, weight } from "./charts.js";
import { el, sentence, steady, trouble } from "./dom.js";
import { editor } from "./record_edit.js";
import { ACTIONS, LABELS, asText, changesOf, statusMark } from "./record_words.js";

export async function recordView(element, { wire, state, route, navigate, announce, left }) {
  const path = `/api/records/${encodeURIComponent(route.id)}`;
  const room = el("div", { class: "room" });
  const place = el("div", {}); // of the form that changes it
  const fault = el("div", {});
  element.append(el("p", { class: "small" }, el("a", { href: "#notebook" }, "← Notebook")), room);
  let { record, cautions, history } = await wire.get(path);
  if (left()) return null;

  async function again(words) {
    ({ record, cautions, history } = await wire.get(path));
    if (left()) return;
    place.replaceChildren();
    draw();
    room.querySelector("h1").focus();
    announce(words);
  }

  // Another window or a command may have changed it; a form that is open sends no more than was changed there.
  let mark = state.value.notebook.mark;
  const stop = state.subscribe(async () => {
    if (mark === state.value.notebook.mark) return;
    ({ mark } = state.value.notebook);
    const newer = await wire.get(path).catch(() => null);
    if (!newer) mark = null; // the next news will do
    if (left() || !newer || newer.record.version <= record.version) return;
    ({ record, cautions, history } = newer);
    drawSoon();
  });

  // --- reading ------------------------------------------------------------------------------------------------------

  const facts = () => {
    const rows = ["event_date", "place", "recorder", "caste", "identified_by", "temperature_c"].map((name) => [
      LABELS[name],
      asText(name, record[name]),
    ]);
    if (record.place) rows.splice(2, 0, ["Known to", `${Math.round(record.place.uncertainty_m)} m`]);
    return el(
      "dl",
      { class: "facts" },
      rows.filter(([, text]) => text).map(([label, text]) => [el("dt", {}, label), el("dd", {}, text)]),
    );
  };

  function seen() {
    const said = Object.entries(record.hints ?? {});
    if (!said.length) return null;
    return el(
      "section",
      { class: "paper", "aria-labelledby": "record-seen" },
      el("h2", { id: "record-seen" }, "What was seen"),
      el("div", { class: "record-bee" }, drawBee(record.hints)),
      el(
        "dl",
        { class: "facts" },
        said.map(([character, value]) => [
          el("dt", {}, character.replaceAll("-", " ")),
          el("dd", {}, value.replaceAll("-", " ")),
        ]),
      ),
    );
  }

  function heard() {
    const { tone, recording, answer } = record;
    if (!tone && !recording) return null;
    const flights = (recording?.bouts ?? []).length;
    return el(
      "section",
      { class: "paper", "aria-labelledby": "record-heard" },
      el("h2", { id: "record-heard" }, "What was heard"),
      tone
        ? el(
            "p",
            { class: "number" },
            `${tone.f0_hz.toFixed(1)} Hz (${tone.f0_low_hz.toFixed(1)} to ${tone.f0_high_hz.toFixed(1)})`,
            tone.n_bouts ? ` over ${tone.n_bouts} ${tone.n_bouts === 1 ? "flight" : "flights"}` : null,
            ".",
          )
        : null,
      answer?.size?.summary && tone ? el("p", {}, sentence(answer.size.summary)) : null,
      recording
        ? el(
            "p",
            { class: "soft" },
            `${recording.path}${flights ? `, ${flights} ${flights === 1 ? "bout" : "bouts"}` : ""}`,
          )
        : null,
      record.clip
        ? el("p", {}, el("a", { href: `#desk/${encodeURIComponent(record.clip)}` }, "See and hear it on the desk"))
        : null,
    );
  }

  function answered() {
    const taxa = (record.answer?.taxa ?? []).filter(({ probability }) => probability >= 0.01).slice(0, 6);
    if (!taxa.length) return null;
    return el(
      "section",
      { class: "paper", "aria-labelledby": "record-answer" },
      el("h2", { id: "record-answer" }, "What the program thought"),
      el(
        "ul",
        { class: "bars" },
        taxa.map(({ taxon, vernacular, probability }) =>
          el(
            "li",
            { class: "bar-row" },
            el("span", { class: "bar-name" }, vernacular, " ", el("i", { class: "latin" }, taxon)),
            bar(probability),
            el("span", { class: "bar-number number" }, percent(probability)),
          ),
        ),
      ),
      record.answer.evidence?.length
        ? el(
            "details",
            {},
            el("summary", {}, "Why"),
            el(
              "ul",
              { class: "evidence" },
              record.answer.evidence.map((piece) =>
                el(
                  "li",
                  {},
                  el(
                    "span",
                    { class: "evidence-head" },
                    el("span", { class: "evidence-what" }, piece.name.replaceAll("-", " ")),
                    weight(piece.weight_bits ?? 0),
                    el("span", { class: "small number" }, bitsWords(piece.weight_bits ?? 0)),
                  ),
                  el("span", { class: "evidence-words" }, sentence(piece.summary)),
                ),
              ),
            ),
          )
        : null,
      el("p", { class: "soft small" }, Object.values(record.made_with ?? {}).join(", ")),
    );
  }

  function past() {
    const states = history.map((version, i) => ({
      ...version,
      changes: i ? changesOf(history[i - 1].record, version.record) : [],
    }));
    return el(
      "section",
      { class: "paper", "aria-labelledby": "record-past" },
      el("h2", { id: "record-past" }, "What it said before"),
      el(
        "ol",
        { class: "ruled history", reversed: true },
        states.toReversed().map(({ version, at, action, by, changes }) =>
          el(
            "li",
            {},
            el(
              "span",
              {},
              el("strong", {}, ACTIONS[action] ?? action),
              ` on ${new Date(at).toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" })}${by ? `, by ${by}` : ""}`,
              el("span", { class: "soft small" }, ` version ${version}`),
            ),
            changes.length
              ? el(
                  "ul",
                  { class: "changes" },
                  changes.map(([name, was, is]) =>
                    el(
                      "li",
                      {},
                      `${LABELS[name]}: `,
                      was ? el("del", {}, was) : el("span", { class: "soft" }, "nothing"),
                      el("span", { "aria-label": "became" }, " → "),
                      is ? el("ins", {}, is) : el("span", { class: "soft" }, "nothing"),
                    ),
                  ),
                )
              : null,
          ),
        ),
      ),
    );
  }

  const changed = () => again("Changed; what it said before is kept");

  async function hide(back) {
    try {
      if (back) await wire.post(`${path}/restore`, {});
      else await wire.remove(path);
      await again(back ? "Brought back" : "Removed; it can be brought back here");
    } catch (error) {
      fault.replaceChildren(trouble(error));
    }
  }

  // --- together ----------------------------------------------------------------------------------------------------------

  function draw() {
    const name = record.vernacular || record.taxon || "No name yet";
    fault.replaceChildren();
    const edit = el("button", { type: "button", class: "strong", "aria-expanded": "false" }, "Change");
    const close = () => {
      place.replaceChildren();
      draw();
      room.querySelector(".record-do button").focus();
    };
    edit.addEventListener("click", () => {
      if (place.firstChild) return close();
      place.replaceChildren(editor(record, { characters: state.value.characters, wire, path, done: close, changed }));
      edit.setAttribute("aria-expanded", "true");
      place.querySelector("input").focus();
    });
    room.replaceChildren(
      ...[
        el(
          "section",
          { class: "paper record", "aria-labelledby": "record-title" },
          el("p", { class: "soft small" }, `Record ${record.number}`),
          el("h1", { id: "record-title", tabindex: "-1" }, name),
          record.vernacular
            ? el(
                "p",
                { class: "record-latin" },
                el("i", { class: "latin" }, record.taxon),
                record.caste ? `, ${record.caste}` : null,
              )
            : null,
          el(
            "p",
            {},
            "The name is ",
            statusMark(record.status),
            record.identified_by ? `, ${record.identified_by}` : null,
          ),
          record.removed
            ? el("p", { class: "trouble" }, "This record was removed. It is in no list and is not handed on.")
            : null,
          cautionList(cautions),
          facts(),
          record.notes ? [el("h2", {}, "Notes"), el("p", { class: "notes" }, record.notes)] : null,
          el(
            "div",
            { class: "row record-do" },
            record.removed ? null : edit,
            el("a", { class: "button", href: `/sheet/${record.number}` }, "Sheet to print"),
            record.removed
              ? el("button", { type: "button", class: "strong", on: { click: () => hide(true) } }, "Bring it back")
              : el("button", { type: "button", class: "quiet", on: { click: () => hide(false) } }, "Remove"),
          ),
          fault,
          place,
        ),
        el("div", { class: "record-columns" }, seen(), heard(), answered(), past()),
      ].filter(Boolean),
    );
  }

  const drawSoon = steady(room, () => {
    if (left() || place.firstChild) return; // it is drawn when the form is closed
    const held = room.contains(document.activeElement);
    draw();
    if (held) room.querySelector("h1").focus({ preventScroll: true });
  });

  draw();
  if (String(record.number) !== route.id) navigate(`#notebook/${record.number}`);
  return stop;
}
