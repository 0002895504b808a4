// The desk: bring recordings, see each being listened to, open one.

import { hopeless } from "./bring.js";
import { busily, clock, count, el, sentence, svg } from "./dom.js";
import { newcomer } from "./newcomer.js";
import { recorder } from "./recorder.js";

export function mount(room, context) {
  const { bring, clips, state } = context;

  const chooser = el("input", {
    type: "file",
    multiple: true,
    class: "only-heard",
    tabindex: "-1",
    "aria-hidden": "true",
    id: "chooser",
    on: {
      change: () => {
        bring.files(chooser.files);
        chooser.value = ""; // the same file may be chosen again
      },
    },
  });
  const choose = el(
    "button",
    { type: "button", class: "strong", on: { click: () => chooser.click() } },
    "Choose recordings",
  );
  const recording = recorder(context);
  const formats = state.value.formats ?? [];
  const notebook = el("div", {});
  const first = el("div", { class: "first" });
  const list = el("ul", { class: "ruled clips", "aria-label": "Recordings on the desk" });
  const listed = el(
    "section",
    { class: "paper", "aria-labelledby": "listed-title" },
    el("h2", { id: "listed-title" }, "On the desk"),
    el("p", { class: "soft small", id: "tally" }),
    list,
  );

  room.append(
    el("h1", {}, "Which bumblebee was that?"),
    el(
      "section",
      { class: "paper landing", "aria-labelledby": "bring-title" },
      el(
        "div",
        {},
        el("h2", { id: "bring-title" }, "Bring a recording"),
        el(
          "p",
          {},
          "Drop sound or video files anywhere on this page, or choose them. They stay on this computer.",
        ),
        el(
          "div",
          { class: "row" },
          choose,
          chooser,
          recording.button,
          el("a", { class: "button quiet-link", href: "#desk/new" }, "No recording: only say what was seen"),
        ),
        formats.length
          ? el(
              "details",
              { class: "small soft" },
              el("summary", {}, "Which files will do"),
              el(
                "p",
                {},
                `Whatever phones and recorders make: ${formats.map((f) => f.replace(/^\./, "")).join(", ")}. ` +
                  "What counts is what is inside, not the ending of the name.",
              ),
            )
          : null,
      ),
      recording.panel,
    ),
    notebook,
    first,
    listed,
  );

  // --- the notebook, when it cannot be used ---------------------------------------------------------------

  let told = "";
  function tellNotebook() {
    const { error } = state.value.notebook;
    const words = error ? [error.what, error.remedy, error.where].join("\n") : "";
    if (words === told) return; // said once, to people who listen to the page too
    told = words;
    notebook.replaceChildren(...(error ? [noNotebook(error)] : []));
  }

  // --- the list -----------------------------------------------------------------------------------------

  const rows = new Map(); // by clip id, or the entry itself for one that is still being sent

  function draw() {
    const items = [
      ...bring.sending.value.map((entry) => [entry, entry]),
      ...clips.value.map((clip) => [clip.id, clip]),
    ];
    listed.hidden = items.length === 0;
    if (items.length === 0 && !first.firstChild) first.append(newcomer());
    if (items.length) first.replaceChildren();
    const gone = new Set(rows.keys());
    let after = null;
    for (const [key, item] of items) {
      gone.delete(key);
      let row = rows.get(key);
      if (!row) {
        row = typeof key === "string" ? clipRow(context, item) : sendingRow(context, item);
        rows.set(key, row);
      }
      row.update(item);
      const place = after ? after.nextSibling : list.firstChild;
      if (place !== row.node) list.insertBefore(row.node, place); // moving only what is out of place keeps the focus
      after = row.node;
    }
    for (const key of gone) {
      const { node } = rows.get(key);
      const held = node.contains(document.activeElement);
      node.remove();
      rows.delete(key);
      if (held) document.getElementById("main").focus({ preventScroll: true }); // else it would be lost
    }
    document.getElementById("tally").textContent = tally(bring.sending.value, clips.value);
  }

  const stops = [bring.sending.subscribe(draw), clips.subscribe(draw), state.subscribe(tellNotebook)];
  draw();
  tellNotebook();
  return () => {
    for (const stop of stops) stop();
    recording.leave();
  };
}

function noNotebook(error) {
  const file = error.where ? ` (${error.where})` : "";
  return el(
    "p",
    { class: "trouble", role: "alert" },
    el("strong", {}, `The notebook${file} cannot be used now.`),
    ` ${[error.what, error.remedy].filter(Boolean).map(sentence).join(" ")} `,
    "Recordings are heard and answered all the same; nothing can be kept until then.",
  );
}

function tally(sending, clips) {
  const of = (status) => clips.filter((clip) => clip.status === status).length;
  const failed = of("failed") + sending.filter((entry) => entry.error).length;
  const under = of("waiting") + of("listening") + sending.filter((entry) => !entry.error).length;
  const parts = [count(of("ready"), "recording heard", "recordings heard")];
  if (under) parts.push(`${under} under way`);
  if (failed) parts.push(`${failed} could not be used`);
  return `${parts.join(", ")}.`;
}

// --- rows -------------------------------------------------------------------------------------------------

function bar(label) {
  const node = el("progress", { max: "1", "aria-label": label });
  return {
    node,
    set: (share) => {
      if (share === null) node.removeAttribute("value");
      else node.value = share;
    },
  };
}

function reason(error) {
  return [
    el("strong", {}, sentence(error.what ?? error.message)),
    error.remedy ? ` ${sentence(error.remedy)}` : "",
  ];
}

function sendingRow({ bring }, entry) {
  const progress = bar(`Bringing ${entry.name}`);
  const word = el("span", { class: "soft small" });
  const fault = el("p", { class: "trouble small", hidden: true });
  const button = (words, label, press) =>
    el(
      "button",
      {
        type: "button",
        class: "quiet small",
        hidden: true,
        "aria-label": `${words}: ${label}`,
        on: { click: press },
      },
      words,
    );
  const again = button("Try again", entry.name, () => bring.retry(entry));
  const away = button("Clear away", entry.name, () => bring.dismiss(entry));
  const sign = el("span", { class: "mark-holder" });
  const node = el(
    "li",
    { class: "clip", tabindex: "-1" },
    sign,
    el(
      "div",
      { class: "clip-main" },
      el("span", { class: "clip-name" }, entry.name),
      word,
      progress.node,
      fault,
    ),
    again,
    away,
  );
  let drawn = null;
  return {
    node,
    update({ share, error }) {
      progress.set(share);
      const status = error ? "failed" : "sending";
      if (drawn === status) return;
      drawn = status;
      node.dataset.status = status;
      sign.replaceChildren(mark(status));
      word.textContent = error ? "not brought" : "being brought";
      progress.node.hidden = Boolean(error);
      if (!error && document.activeElement === again) node.focus(); // what goes must not take the focus with it
      fault.hidden = away.hidden = !error;
      again.hidden = !error || hopeless(error);
      fault.replaceChildren(...(error ? reason(error) : []));
    },
  };
}

const WORDS = {
  waiting: "waits its turn",
  listening: "being listened to",
  ready: "heard",
  failed: "could not be used",
};

function clipRow(context, clip) {
  const { wire, announce } = context;
  const progress = bar(`Listening to ${clip.name}`);
  const link = el("a", { href: `#desk/${encodeURIComponent(clip.id)}` }, clip.name);
  const name = el("span", { class: "clip-name" });
  const words = el("span", { class: "soft small number" });
  const fault = el("p", { class: "trouble small", hidden: true });
  const notice = el("p", { class: "soft small" });
  const remove = el(
    "button",
    { type: "button", class: "quiet small", "aria-label": `Remove ${clip.name} from the desk` },
    "Remove",
  );
  const throwAway = el("input", { type: "checkbox" });
  const stays = el(
    "label",
    { class: "small", hidden: true, tabindex: "-1" },
    "Its sound stays in the desk's folder, as a record points to it, or may do so. ",
    throwAway,
    " Delete the sound too",
  );
  let newest = clip;
  const kept = () => newest.stays;
  let asked = false;
  const question = (asking) => {
    asked = asking;
    remove.textContent = asking ? "Really remove?" : "Remove";
    const name = asking ? `Really remove ${clip.name} from the desk?` : `Remove ${clip.name} from the desk`;
    remove.setAttribute("aria-label", name);
    stays.hidden = !asking || !kept();
    throwAway.checked = false;
    if (asking) announce(stays.hidden ? name : `${name} ${stays.textContent}`);
  };
  remove.addEventListener("click", async () => {
    // No dialog: the button itself asks once more, and forgets the question when one moves on.
    if (!asked) return question(true);
    try {
      const sound = kept() && throwAway.checked ? "?sound=too" : "";
      await wire.remove(`/api/clips/${encodeURIComponent(clip.id)}${sound}`);
      announce(`${clip.name} is off the desk${kept() && !sound ? "; its sound stays" : ""}`);
      context.clips.set(context.clips.value.filter((other) => other.id !== clip.id));
    } catch (error) {
      fault.replaceChildren(...reason(error));
      fault.hidden = false;
    }
  });
  const sign = el("span", { class: "mark-holder" });
  const rescue = rescuing(context, clip, fault);
  const node = el(
    "li",
    { class: "clip" },
    sign,
    el("div", { class: "clip-main" }, name, words, progress.node, fault, notice, rescue, stays),
    remove,
  );
  node.addEventListener("focusout", ({ relatedTarget }) => {
    if (asked && !node.contains(relatedTarget)) question(false);
  });
  let drawn = "";
  return {
    node,
    update(now) {
      newest = now;
      progress.set(now.status === "listening" ? now.progress : null);
      progress.node.hidden = now.status !== "listening" && now.status !== "waiting";
      words.textContent = said(now);
      notice.hidden = !now.notice;
      notice.textContent = now.notice ? sentence(now.notice) : "";
      if (drawn === now.status) return;
      drawn = now.status;
      node.dataset.status = now.status;
      sign.replaceChildren(mark(now.status));
      const failed = now.status === "failed";
      const held = [name, rescue].some((part) => part.contains(document.activeElement));
      if (failed) name.replaceChildren(now.name);
      else if (!name.contains(link)) name.replaceChildren(link);
      fault.hidden = rescue.hidden = !failed;
      if (now.error) fault.replaceChildren(...reason(now.error));
      if (held) (failed ? rescue.querySelector("button") : link).focus({ preventScroll: true });
    },
  };
}

// What is left to do with a recording that could not be used: it may be the only one there is.
export function rescuing({ wire, announce }, clip, fault) {
  const address = `/api/clips/${encodeURIComponent(clip.id)}`;
  const again = el(
    "button",
    { type: "button", class: "quiet small", "aria-label": `Try again: ${clip.name}` },
    "Try again",
  );
  const listen = async () => {
    try {
      await wire.post(`${address}/listen`, {});
      announce(`${clip.name} is listened to again`);
    } catch (error) {
      fault.replaceChildren(...reason(error));
      fault.hidden = false;
    }
  };
  again.addEventListener("click", busily(again, listen));
  const file = el(
    "a",
    { class: "button quiet small", href: `${address}/original`, download: clip.name },
    "Save the file",
  );
  return el("div", { class: "row" }, again, file);
}

function said(clip) {
  const parts = [WORDS[clip.status]];
  if (clip.duration_s) parts.push(clock(clip.duration_s, 0));
  if (clip.status === "ready") parts.push(clip.flights ? count(clip.flights, "flight") : "no flight heard");
  if (clip.recorded) parts.push("in the notebook");
  return parts.join(" · ");
}

// What state a recording is in, as a small drawing; the word stands beside it.
const MARKS = {
  sending: "M10 16V5M5 9l5-5 5 5",
  waiting: "M10 3a7 7 0 1 0 .01 0M10 6v4l3 2",
  listening: "M3 10h2l2-5 3 10 3-8 1.5 3H17",
  ready: "M4 10.5l4 4 8-9",
  failed: "M5 5l10 10M15 5L5 15",
};
const mark = (status) =>
  svg(
    "svg",
    { viewBox: "0 0 20 20", class: `mark mark-${status}`, "aria-hidden": "true" },
    svg("path", { d: MARKS[status] }),
  );
