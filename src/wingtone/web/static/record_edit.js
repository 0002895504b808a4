// The form that changes a record: only what was changed is sent, and faults stand at their fields.

import { el, sentence, trouble } from "./dom.js";
import { CASTES, LABELS, STATUS } from "./record_words.js";

// `done` when nothing was changed, `changed` after the program has taken the changes.
export function editor(record, { characters, wire, path, done, changed: taken }) {
  const text = (name, more = {}) =>
    el("input", {
      type: "text",
      autocomplete: "off",
      value: name === "place" ? (record.place?.text ?? "") : (record[name] ?? ""),
      ...more,
    });
  const choice = (value, options) =>
    el(
      "select",
      {},
      options.map(([key, words]) => el("option", { value: key, selected: key === (value ?? "") }, words)),
    );
  const inputs = {
    taxon: text("taxon"),
    caste: choice(record.caste, [["", "not known"], ...CASTES.map((caste) => [caste, caste])]),
    status: choice(
      record.status,
      Object.entries(STATUS).map(([status, { words }]) => [status, words]),
    ),
    identified_by: text("identified_by"),
    event_date: text("event_date"),
    place: text("place"),
    recorder: text("recorder"),
    temperature_c: el("input", { type: "number", step: "0.5", value: record.temperature_c ?? "" }),
    notes: el("textarea", { rows: "4" }),
  };
  inputs.notes.value = record.notes ?? "";
  const hints = Object.fromEntries(
    characters.map(({ name, states }) => [
      name,
      choice(record.hints?.[name], [["", "not seen"], ...states.map(({ state: value, words }) => [value, words])]),
    ]),
  );
  const read = (name) =>
    name === "temperature_c" ? (inputs[name].value === "" ? null : Number(inputs[name].value)) : inputs[name].value;
  const valuesOf = (fields, value) => Object.fromEntries(Object.keys(fields).map((name) => [name, value(name)]));
  const before = valuesOf(inputs, read);
  const stateOf = (name) => hints[name].value;
  const hintsBefore = valuesOf(hints, stateOf);
  const changedOf = (now, then) => Object.fromEntries(Object.entries(now).filter(([name, value]) => value !== then[name]));
  const lines = {};
  const helps = {
    event_date: "2026-03-20, 2026-03-20T10:32 or 20 March 2026",
    place: "51.46, -0.30 or TQ 18 75",
    taxon: "scientific or plain",
  };
  const fieldOf = (name, label, input) => {
    input.id = `edit-${name}`;
    lines[name] = el("span", { class: "fault small", id: `edit-${name}-fault` });
    input.setAttribute("aria-describedby", `${helps[name] ? `edit-${name}-help ` : ""}edit-${name}-fault`);
    return el(
      "div",
      { class: `field field-${name}` },
      el("label", { for: input.id }, label),
      input,
      helps[name] ? el("span", { class: "soft small", id: `edit-${name}-help` }, helps[name]) : null,
      lines[name],
    );
  };
  const place = el("div", {});
  const form = el(
    "form",
    { class: "edit" },
    el(
      "div",
      { class: "fields" },
      Object.entries(inputs).map(([name, input]) => fieldOf(name, LABELS[name], input)),
    ),
    el(
      "details",
      {},
      el("summary", {}, "What was seen"),
      el(
        "div",
        { class: "fields" },
        Object.entries(hints).map(([name, select]) => fieldOf(`hint-${name}`, name.replaceAll("-", " "), select)),
      ),
    ),
    place,
    el(
      "div",
      { class: "row" },
      el("button", { type: "submit", class: "strong" }, "Keep the changes"),
      el("button", { type: "button", class: "quiet", on: { click: () => done() } }, "Leave it as it was"),
    ),
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const changed = changedOf(valuesOf(inputs, read), before);
    const said = changedOf(valuesOf(hints, stateOf), hintsBefore);
    if (Object.keys(said).length) changed.hints = said;
    for (const [name, line] of Object.entries(lines)) {
      line.textContent = "";
      (inputs[name] ?? hints[name.slice(5)]).removeAttribute("aria-invalid");
    }
    place.replaceChildren();
    if (!Object.keys(changed).length) return done();
    // A name that is changed by hand is decided; the program says so unless the form says otherwise.
    if ("taxon" in changed && !("status" in changed) && record.status !== "hint") changed.status = record.status;
    // Whoever named it before did not decide this, unless the form, which shows the name, still says so.
    if ("taxon" in changed || "status" in changed) changed.identified_by = read("identified_by");
    try {
      await wire.patch(path, changed);
      await taken();
    } catch (error) {
      for (const [name, words] of Object.entries(error.fields ?? {})) {
        if (!lines[name]) continue;
        lines[name].textContent = sentence(words);
        inputs[name].setAttribute("aria-invalid", "true");
      }
      place.replaceChildren(trouble(error));
      Object.keys(error.fields ?? {})
        .map((name) => inputs[name])
        .find(Boolean)
        ?.focus();
    }
  });
  return form;
}
