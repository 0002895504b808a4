// What was seen: day, time, place and air, and the bee herself as one strip from head to tail.
//
// The strip draws the bee as described so far; each part opens its states. `look_next` of the answer offers the
// next question (`asking`), which nobody has to take. Changes go to the `seen` store at once, and to the desk
// one request at a time, the latest winning.

import { SPOTS, WHOLE, beeGroup } from "./bee_drawings.js";
import { el, sentence, steady, svg } from "./dom.js";
import { latest } from "./latest.js";
import { zoneWords } from "./record_words.js";
import { statePicture } from "./state_pictures.js";
import { unsent } from "./unsent.js";

const BODY = [
  ["collar", "collar"],
  ["thorax", "thorax"],
  ["scutellum", "scutellum"],
  ["front-band", "front band"],
  ["abdomen", "abdomen"],
  ["tail", "tail"],
];
const REST = [
  ["face", "face"],
  ["legs", "legs"],
  ["wings", "wings"],
  ["antennae", "feelers"],
  ["size", "size"],
  ["behaviour", "behaviour"],
  ["other", "others"],
];
const TITLES = Object.fromEntries([...BODY, ...REST]);

// Plainer words for the states that we know. Others are shown as the program names them.
const WORDS = {
  "collar:none": "none: black",
  "scutellum:none": "none: black",
  "front-band:none": "none: black",
  "thorax:black": "all black",
  "thorax:ginger": "all ginger",
  "thorax:banded": "yellow, black between the wings",
  "abdomen:mixed": "ginger or grey with black hairs",
  "abdomen:pale": "pale all over",
  "abdomen:banded": "stripes",
  "hind-leg:basket": "bare, shiny basket",
  "hind-leg:pollen": "carries pollen",
  "hind-leg:hairy": "hairy all round",
  "tail-detail:buff-line": "buff line in front",
  "tail-detail:yellow-sides": "yellow at the sides",
  "wings:dark": "smoky dark",
  "behaviour:nest-searching": "searching the ground for a nest",
  "behaviour:patrolling": "patrolling a round",
  "behaviour:at-nest": "at its nest",
  "nest:surface": "in moss or grass",
  "nest:tree-or-box": "tree or box",
  "flower:deep": "deep flowers",
  "flower:shallow": "shallow flowers",
  "antennae:short": "short, eyes huge",
  "size:very-large": "very large",
};

const SOURCES = {
  container: "filled in from the recording",
  bext: "filled in from the recording",
  "file name": "filled in from the file's name",
  given: "as you gave it",
  "file time": "the file's own time, which may be the day it was copied",
};

const WHEN_WHERE = [
  { name: "date", label: "Day", type: "date" },
  { name: "time", label: "Time", type: "time" },
  { name: "place", label: "Place", type: "text", hint: "51.46, -0.30 or a grid reference: TQ 18 75" },
];
const MORE = [
  { name: "temperature_c", label: "Air, °C", type: "number", hint: "if you know it" },
  { name: "observer", label: "Seen by", type: "text" },
];
const WHEN = ["date", "time"];
const HALF = "this is only half there: finish it, or empty it";

export function mount(element, { wire, state, clip, seen, announce, form: { asking, faults }, form }) {
  const characters = state.value.characters;
  const narrow = window.matchMedia("(max-width: 40rem)");
  const skipped = new Set();
  let open = null;

  // --- keeping ---------------------------------------------------------------------------------------------

  // Only what was changed in this window is sent: another one may have said the rest.
  const shown = {}; // the texts of the fields, when they were last in step with the desk
  let heldHints = { ...seen.value.hints }; // the hints that the desk holds, as far as this window knows

  const textOf = (name) => inputs[name].value.replace(/[\v\f]/g, "\n").trim();
  const valueOf = (name) =>
    inputs[name].type !== "number" ? textOf(name) : textOf(name) === "" ? null : Number(textOf(name));
  const half = (name) => inputs[name].validity.badInput;

  function changes() {
    const names = Object.keys(inputs).filter((name) => textOf(name) !== shown[name] && !half(name));
    const some = Object.fromEntries(names.map((name) => [name, valueOf(name)]));
    const now = seen.value.hints ?? {};
    const turned = Object.keys({ ...heldHints, ...now }).filter((name) => heldHints[name] !== now[name]);
    return turned.length ? { ...some, hints: Object.fromEntries(turned.map((name) => [name, now[name] ?? ""])) } : some;
  }

  // What the desk holds comes onto the page, but for what is being changed here.
  function take(desk) {
    for (const [name, input] of Object.entries(inputs)) {
      if (textOf(name) !== shown[name] || half(name)) continue;
      const text = String(desk[name] ?? "");
      if (text !== shown[name]) input.value = text;
      shown[name] = textOf(name);
    }
    showNotes();
    const hints = { ...desk.hints };
    const now = seen.value.hints ?? {};
    for (const name of Object.keys({ ...heldHints, ...now }))
      if (now[name] !== heldHints[name]) {
        if (now[name]) hints[name] = now[name];
        else delete hints[name];
      }
    heldHints = { ...desk.hints };
    const next = { ...desk, hints };
    if (JSON.stringify(sorted(next)) !== JSON.stringify(sorted(seen.value))) seen.set(next);
  }
  const sorted = ({ hints, ...fields }) => [hints ?? {}, fields].map((some) => Object.entries(some).sort());

  async function put(some) {
    const texts = Object.fromEntries(Object.keys(inputs).map((name) => [name, textOf(name)]));
    const address = `/api/clips/${encodeURIComponent(clip.value.id)}/seen`;
    const { seen: desk, seen_version } = await wire.patch(address, some, { keepalive: true });
    for (const name of Object.keys(some)) if (name !== "hints") shown[name] = texts[name];
    for (const [name, state] of Object.entries(some.hints ?? {})) heldHints[name] = state || undefined;
    Object.assign(clip.value, { seen: desk, seen_version });
    take(desk);
  }

  // A field that the desk refuses is told at that field, and the rest is kept, so that half a place never spoils
  // the answer.
  const saver = latest(async () => {
    const some = changes();
    const any = Object.keys(some).length > 0;
    showFaults(); // a field may be half typed
    if (!clip.value) {
      for (const name of Object.keys(some)) if (name !== "hints") shown[name] = textOf(name);
      heldHints = { ...seen.value.hints };
      if (any) seen.set({ ...seen.value, ...some, hints: { ...heldHints } });
      return;
    }
    try {
      if (any) await put(some);
      faults.set({});
    } catch (error) {
      if (!error.fields) {
        layBy();
        return say(`Not kept yet. ${sentence(error.what ?? error.message)}`);
      }
      const words = (fields) => Object.values(fields).map(sentence).join(" ");
      const before = words(faults.value);
      faults.set(error.fields);
      if (words(error.fields) !== before) announce(words(error.fields));
      const [good] = parted(some);
      try {
        if (Object.keys(good).length) await put(good);
      } catch {
        return say("Not kept: something here needs another look.");
      }
    }
    layBy();
    if (marked() || any || status.textContent) sayKept();
  });
  // The same once more would be read out once more.
  const say = (words) => status.textContent !== words && (status.textContent = words);
  const sayKept = () => say(marked() ? "Kept on the desk, but for what is marked" : "Kept on the desk");

  // What is not marked, and what is: it would be refused, and the rest with it. So is a day together with its time.
  function parted(some) {
    const bad = new Set(Object.keys(faults.value).flatMap((name) => (WHEN.includes(name) ? WHEN : [name])));
    const those = (wanted) => Object.fromEntries(Object.entries(some).filter(([name]) => bad.has(name) === wanted));
    return [those(false), those(true)];
  }
  const marked = () => Object.keys(faults.value).length > 0 || Object.keys(inputs).some(half);

  form.saved = async () => {
    await saver.ask();
    return !marked() && (!clip.value || Object.keys(changes()).length === 0);
  };

  // Who goes away in the middle of a field has still said it.
  function goingAway() {
    if (!clip.value) return saver.ask();
    layBy();
    for (const some of parted(changes()))
      if (Object.keys(some).length)
        put(some)
          .then(sayKept, () => {})
          .then(layBy);
  }

  // What the desk does not hold is kept in the window, but for what is marked, with what the desk held there.
  const left = clip.value && unsent("seen", clip.value.id);
  function layBy() {
    const [{ hints = {}, ...fields }] = parted(changes());
    const some = Object.keys(fields).map((name) => [name, [shown[name], textOf(name)]]);
    const turned = Object.entries(hints).map(([name, state]) => [name, [heldHints[name] ?? "", state]]);
    left.set(some.length || turned.length ? [some, turned] : null);
  }

  function takeUp() {
    const [some, turned] = left?.value ?? [[], []];
    left?.set(null);
    for (const [name, [was, is]] of some) if (shown[name] === was) inputs[name].value = is;
    const hints = { ...seen.value.hints };
    for (const [name, [was, is]] of turned)
      if ((hints[name] ?? "") === was) {
        if (is) hints[name] = is;
        else delete hints[name];
      }
    if (some.length || turned.length) change({ hints });
  }

  function change(part) {
    seen.set({ ...seen.value, ...part });
    saver.ask();
  }

  const status = el("p", { class: "soft small seen-status", role: "status" });

  // --- day, time, place ------------------------------------------------------------------------------------

  const inputs = {};
  const faultLines = {};
  const noteLines = [];

  function fieldOf({ name, label, type, hint }) {
    const noteId = `seen-${name}-note`;
    const faultId = `seen-${name}-fault`;
    const input = el("input", {
      type,
      id: `seen-${name}`,
      autocomplete: "off",
      step: type === "number" ? "0.5" : null,
      min: type === "number" ? "-40" : null,
      max: type === "number" ? "60" : null,
      "aria-describedby": `${noteId} ${faultId}`,
      value: seen.value[name] ?? "",
    });
    input.addEventListener("change", () => saver.ask());
    input.addEventListener("blur", () => half(name) && saver.ask()); // which browsers do not call a change
    inputs[name] = input;
    shown[name] = textOf(name);
    const note = el("span", { class: "soft small", id: noteId });
    noteLines.push(() => (note.textContent = (isFilled(name) ? sourceOf(name) : hint) ?? ""));
    input.addEventListener("input", showNotes);
    faultLines[name] = el("span", { class: "fault small", id: faultId });
    return el(
      "div",
      { class: `field field-${name}` },
      el("label", { for: input.id }, label),
      input,
      note,
      faultLines[name],
    );
  }

  // Whether a field still says what the recording says of itself, and where that says it.
  const isFilled = (name) => textOf(name) !== "" && textOf(name) === clip.value?.filled?.[name];
  function sourceOf(name) {
    const { date, place } = clip.value.prefilled;
    if (name === "place") return SOURCES[place] ?? `from ${place}`;
    const words = SOURCES[date] ?? `from ${date}`;
    const zone = zoneWords(clip.value.measurement.recording.recorded_at);
    return zone ? `${words}, in${zone}` : words; // the day too: just after midnight in summer it is another one in UTC
  }
  function showNotes() {
    for (const show of noteLines) show();
  }

  const notes = el("textarea", { id: "seen-notes", rows: "2", "aria-describedby": "seen-notes-fault" });
  notes.value = seen.value.notes ?? "";
  notes.addEventListener("input", () => saver.ask());
  inputs.notes = notes;
  shown.notes = textOf("notes");
  faultLines.notes = el("span", { class: "fault small", id: "seen-notes-fault" });

  function showFaults() {
    for (const name of Object.keys(inputs)) {
      const fault = half(name) ? HALF : faults.value[name];
      faultLines[name].textContent = fault ? sentence(fault) : "";
      if (fault) inputs[name].setAttribute("aria-invalid", "true");
      else inputs[name].removeAttribute("aria-invalid");
    }
  }

  // --- the strip ---------------------------------------------------------------------------------------------

  const said = ({ name, states }) => {
    const hint = seen.value.hints?.[name];
    return hint ? (WORDS[`${name}:${hint}`] ?? states.find(({ state: s }) => s === hint)?.words ?? hint) : null;
  };
  const inPart = (part) => characters.filter((one) => (one.part in TITLES ? one.part : "other") === part);
  const parts = [...BODY, ...REST].filter(([part]) => inPart(part).length);
  const buttons = {};
  for (const [part, title] of parts) {
    const what = el("span", { class: "part-said" });
    const button = el(
      "button",
      {
        type: "button",
        class: "part",
        "aria-expanded": "false",
        "aria-controls": "part-states",
        "data-part": part,
        on: { click: () => show(open === part ? null : part), keydown: (event) => along(event, part) },
      },
      el("span", { class: "part-name" }, title),
      what,
    );
    buttons[part] = { button, what };
  }

  // Arrow keys go along the bee; Tab still goes through every part.
  function along(event, part) {
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    const at = parts.findIndex(([name]) => name === part);
    buttons[parts[(at + step + parts.length) % parts.length][0]].button.focus();
  }

  const picture = svg("svg", { class: "strip-bee", role: "img", focusable: "false" });
  const bodyRow = el(
    "div",
    { class: "strip-body" },
    BODY.filter(([part]) => buttons[part]).map(([part]) => buttons[part].button),
  );
  const restRow = el(
    "div",
    { class: "strip-rest" },
    REST.filter(([part]) => buttons[part]).map(([part]) => buttons[part].button),
  );
  const drawer = el("div", { class: "part-states", id: "part-states", hidden: true });
  const next = el("div", { class: "look-next", hidden: true });
  const showNextSoon = steady(next, showNext);
  const clear = el("button", { type: "button", class: "quiet", on: { click: forget } }, "Forget what was seen");

  // The bee lies on a wide page, and stands on a narrow one; lines go from her parts to their buttons.
  function drawStrip() {
    const upright = narrow.matches;
    const hints = seen.value.hints ?? {};
    const spots = BODY.filter(([part]) => buttons[part]);
    const n = Math.max(1, spots.length);
    const [width, height] = upright ? [168, 64 * n] : [100 * n, 268];
    const scale = upright ? 0.35 : 0.58;
    const lines = spots.map(([part], i) => {
      const [x, y] = SPOTS[part];
      const [cx, cy] = upright ? [78, height / 2] : [width / 2, 126];
      const middle = WHOLE.x + WHOLE.width / 2;
      const from = upright ? [cx + y * scale, cy + (x - middle) * scale] : [cx + (x - middle) * scale, cy + y * scale];
      const to = upright ? [width, 64 * (i + 0.5)] : [100 * (i + 0.5), height];
      const knee = upright ? [width - 14, to[1]] : [to[0], height - 18];
      return svg(
        "g",
        { class: `leader ${part === open ? "leader-open" : ""}` },
        svg("path", { d: `M${from.join(" ")}L${knee.join(" ")}L${to.join(" ")}` }),
        svg("circle", { cx: from[0], cy: from[1], r: 3.2 }),
      );
    });
    const turn = upright
      ? `translate(78 ${height / 2}) rotate(90) scale(${scale})`
      : `translate(${width / 2} 126) scale(${scale})`;
    picture.setAttribute("viewBox", `0 0 ${width} ${height}`);
    picture.setAttribute("preserveAspectRatio", upright ? "none" : "xMidYMid"); // lines end at their buttons
    picture.setAttribute("aria-label", `The bee as described: ${described() || "nothing yet"}`);
    picture.replaceChildren(
      svg(
        "g",
        { transform: turn },
        svg("g", { transform: `translate(${-(WHOLE.x + WHOLE.width / 2)} 0)` }, beeGroup(hints)),
      ),
      ...lines,
    );
    strip.classList.toggle("upright", upright);
  }

  const described = () =>
    characters
      .filter(said)
      .map((one) => `${one.name.replaceAll("-", " ")} ${said(one)}`)
      .join(", ");

  function showSaid() {
    for (const [part] of parts) {
      const words = inPart(part).map(said).filter(Boolean);
      const { button, what } = buttons[part];
      what.textContent = words.join("; ") || "not seen";
      button.classList.toggle("part-known", words.length > 0);
    }
    clear.hidden = !Object.keys(seen.value.hints ?? {}).length;
    drawStrip();
  }

  // --- the states of the open part -----------------------------------------------------------------------------

  let repaint = [];

  function choose(character, value) {
    const hints = { ...(seen.value.hints ?? {}) };
    if (value === null) delete hints[character];
    else hints[character] = value;
    change({ hints });
  }

  function tiles(one) {
    const name = `state-${one.name}`;
    const chosen = seen.value.hints?.[one.name] ?? null;
    const tile = (value, words) => {
      const frame = el("span", { class: "tile-picture" });
      // Each picture tries its own state on, so it only changes with what is said of other parts.
      let painted = null;
      const paint = () => {
        const others = JSON.stringify({ ...seen.value.hints, [one.name]: null });
        if (others === painted) return;
        painted = others;
        const drawn = statePicture(one.name, value, seen.value.hints ?? {});
        frame.replaceChildren(...(drawn ? [drawn] : []));
        frame.hidden = !drawn;
      };
      paint();
      const input = el("input", {
        type: "radio",
        name,
        value: value ?? "",
        checked: value === chosen,
        on: { change: () => choose(one.name, value) },
      });
      repaint.push(() => {
        paint();
        input.checked = value === (seen.value.hints?.[one.name] ?? null); // another window may have said another
      });
      return el(
        "label",
        { class: `tile ${value === null ? "tile-unseen" : ""}` },
        frame,
        el("span", { class: "tile-words" }, input, words),
      );
    };
    return el(
      "fieldset",
      { class: "character", "data-character": one.name },
      el("legend", {}, one.question || one.name.replaceAll("-", " ")),
      el(
        "div",
        { class: "tiles" },
        tile(null, "not seen"),
        one.states.map(({ state: value, words }) => tile(value, WORDS[`${one.name}:${value}`] ?? words)),
      ),
    );
  }

  function show(part, { focus = null } = {}) {
    open = part;
    repaint = [];
    for (const [name] of parts) buttons[name].button.setAttribute("aria-expanded", String(name === part));
    drawer.hidden = part === null;
    drawer.replaceChildren();
    if (part !== null) drawer.append(el("h3", {}, sentence(TITLES[part]).slice(0, -1)), ...inPart(part).map(tiles));
    drawStrip();
    if (focus) drawer.querySelector(`[data-character="${CSS.escape(focus)}"] input:checked`)?.focus();
  }

  function forget() {
    change({ hints: {} });
    show(null);
    announce("What was seen is forgotten");
    (parts.length ? buttons[parts[0][0]].button : element).focus();
  }

  // --- the next question -----------------------------------------------------------------------------------------

  function showNext() {
    const hints = seen.value.hints ?? {};
    const look = asking.value.find(({ character }) => !(character in hints) && !skipped.has(character));
    const one = look && characters.find(({ name }) => name === look.character);
    const focused = next.contains(document.activeElement);
    next.hidden = !one;
    next.replaceChildren();
    if (!one) return;
    const part = one.part in TITLES ? one.part : "other";
    const take = el("button", { type: "button", on: { click: () => show(part, { focus: one.name }) } }, "Say it");
    const skip = el(
      "button",
      {
        type: "button",
        class: "quiet",
        on: {
          click: () => {
            skipped.add(one.name);
            showNext();
          },
        },
      },
      "Not seen: ask another",
    );
    next.append(
      el("p", {}, el("span", { class: "look-next-label" }, "If you can tell: "), look.question || one.question),
      el("div", { class: "row" }, take, skip),
    );
    if (focused) skip.focus();
  }

  // --- together -------------------------------------------------------------------------------------------------

  const strip = el("div", { class: "bee-strip" }, picture, bodyRow);
  element.append(
    el(
      "section",
      { class: "paper seen", "aria-labelledby": "seen-title" },
      el("h2", { id: "seen-title" }, "What was seen"),
      el("div", { class: "fields when-where" }, WHEN_WHERE.map(fieldOf)),
      el("h3", {}, "The bee, head to tail"),
      el("p", { class: "soft" }, "Press a part and say what it was like. Leave out what you did not see."),
      strip,
      restRow,
      next,
      drawer,
      clear,
      el(
        "div",
        { class: "fields" },
        MORE.map(fieldOf),
        el("div", { class: "field field-notes" }, el("label", { for: "seen-notes" }, "Notes"), notes, faultLines.notes),
      ),
      status,
    ),
  );

  let drawing = null;
  const leaves = [
    faults.subscribe(showFaults),
    asking.subscribe(showNextSoon),
    seen.subscribe(() => {
      // The question to the program goes out first; the drawing is done while it thinks.
      drawing ??= setTimeout(() => {
        drawing = null;
        showSaid();
        showNextSoon();
        for (const paint of repaint) paint();
      });
    }),
  ];
  if (clip.value)
    leaves.push(
      clip.subscribe(() => take(clip.value.seen)),
      state.subscribe(() => left.value && saver.ask()),
    );
  const ways = [
    [window, "pagehide"],
    [document, "visibilitychange"],
  ];
  showNotes();
  for (const [place, event] of ways) place.addEventListener(event, goingAway);
  narrow.addEventListener("change", drawStrip);
  showSaid();
  showNext();
  takeUp();
  return () => {
    goingAway();
    for (const [place, event] of ways) place.removeEventListener(event, goingAway);
    clearTimeout(drawing);
    for (const leave of leaves) leave();
    narrow.removeEventListener("change", drawStrip);
  };
}
