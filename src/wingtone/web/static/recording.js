// One recording, open: its strip and sound, its bouts, what was seen, and the answer. A long one can be looked
// at and heard while it is still being listened to; the bouts come when that is done.

import { boutBench } from "./bouts.js";
import { correcting } from "./correct.js";
import { rescuing } from "./desk.js";
import { clock, el, sentence, store, trouble } from "./dom.js";
import { player } from "./player.js";
import { zoneWords } from "./record_words.js";
import { strip } from "./strip.js";
import { unsent } from "./unsent.js";

const LOOK_AGAIN_MS = 1000;
const SETTLED_MS = 300;
const OVER = ["ready", "failed"];

export async function mount(room, context) {
  const { wire, clips, route } = context;
  let removed = false;
  const left = () => removed || context.left();
  const leaves = [];
  const later = (...stops) => {
    leaves.push(...stops);
    if (left()) leave(); // what comes after one has gone is stopped at once
  };
  const leave = () => {
    for (const each of leaves.splice(0)) each();
  };
  if (route.id === "new") {
    room.append(heading("No recording", "Say what was seen; the tone is simply left out."));
    const { seen, kept } = draft(later);
    await answerParts(room, { ...context, clip: store(null), seen, kept, play() {} }, later);
    return leave;
  }

  const address = `/api/clips/${encodeURIComponent(route.id)}`;
  const clip = store(await wire.get(address));
  if (left()) return leave;
  const head = store(0);
  const length = store(clip.value.duration_s ?? 0);
  const title = el("div", { class: "recording-head" });
  const sheet = el("section", { class: "paper strip-paper", "aria-label": "See and hear" });
  const fault = el("div", {});
  room.append(title, fault, sheet);

  // It may be taken off the desk in another window.
  let there = false;
  later(
    clips.subscribe(() => {
      const here = clips.value.some(({ id }) => id === route.id);
      if (there && !here) {
        removed = true;
        leave();
        const gone = { what: "this recording was taken off the desk", remedy: "the desk shows what is there" };
        room.replaceChildren(heading(clip.value.name), trouble(gone));
      }
      there ||= here;
    }),
  );
  there = clips.value.some(({ id }) => id === route.id);

  document.title = `${clip.value.name} · wingtone`;
  const brief = () => clips.value.find((other) => other.id === route.id) ?? clip.value;
  const bar = el("progress", { max: "1", "aria-label": "Being listened to" });
  const progress = el("div", {}, el("p", { class: "small" }, "Being listened to…"), bar);
  let parts = null; // {bench, hear, shown}: from when there is something to see

  async function see() {
    const bench = boutBench({ ...context, clip });
    try {
      const hear = player({ clip, length, head });
      const shown = await strip({ ...context, clip, bench, head, length, hear });
      later(bench.leave, hear.leave, shown.leave);
      sheet.append(hear.element, shown.element);
      parts = { bench, hear, shown };
    } catch (error) {
      bench.leave();
      if (clip.value.status === "ready") throw error;
      // not a sound of it there yet: it is tried again as listening goes on
    }
  }

  async function heard() {
    // A model that is not for real bees says so each time, and so does a recording that lost its corrections.
    const notices = [context.state.value.model_notice, clip.value.notice].filter(Boolean);
    title.replaceChildren(...heading(clip.value.name, clip.value.measurement, notices).childNodes);
    progress.remove();
    if (parts) await parts.shown.refresh();
    else await see();
    if (left()) return;
    const { bench, hear, shown } = parts;
    const list = correcting({ clip, bench, reveal: shown.reveal, hear, length });
    later(list.leave);
    const seen = store(clip.value.seen ?? {});
    await answerParts(room, { ...context, left, clip, bench, seen, play: hear.play }, later, list.element);
    watch();
  }

  function failed() {
    const refused = el("div", {});
    sheet.replaceChildren(trouble(clip.value.error), rescuing(context, clip.value, refused), refused);
    // Once it is tried again, here or in another window, it is opened anew.
    const anew = () => {
      if (brief().status === "failed") return;
      if (sheet.contains(document.activeElement)) document.getElementById("main").focus({ preventScroll: true });
      context.navigate(location.hash);
    };
    later(clips.subscribe(anew));
  }

  title.replaceChildren(...heading(clip.value.name).childNodes);
  if (clip.value.status === "ready") {
    await heard();
  } else if (clip.value.status === "failed") {
    failed();
  } else {
    sheet.append(progress);
    await see();
    follow();
  }
  return leave;

  // Another window may change the same recording: what it says comes onto this page too.
  function watch() {
    let waiting = null;
    const known = ({ seen_version, bouts_version }) => `${seen_version} ${bouts_version}`;
    const look = async () => {
      const before = known(clip.value);
      if (left() || known(brief()) === before) return;
      const newer = await wire.get(address).catch(() => null); // the next news will do
      if (left() || !newer) return;
      if (known(clip.value) === before) clip.set(newer);
      else await look(); // a change of our own came between
    };
    const soon = () => {
      clearTimeout(waiting); // our own changes are told as well, and known by then
      waiting = setTimeout(look, SETTLED_MS);
    };
    later(clips.subscribe(soon), () => clearTimeout(waiting));
  }

  // Until it has been heard: look now and then how far it is.
  function follow() {
    let busy = false;
    let looked = 0;
    const look = async () => {
      const now = brief();
      if (now.progress) bar.value = now.progress;
      const over = OVER.includes(now.status);
      if (busy || (!over && performance.now() - looked < LOOK_AGAIN_MS)) return;
      busy = true;
      looked = performance.now();
      try {
        if (over) {
          clip.set(await wire.get(address));
          stop(); // not before: if that failed, the next news will do
          if (left()) return;
          if (clip.value.status === "ready") await heard();
          else failed();
          fault.replaceChildren();
        } else if (parts) {
          await parts.shown.refresh();
        } else {
          await see();
        }
      } catch (error) {
        if (!left()) fault.replaceChildren(trouble(error));
      }
      busy = false;
      if (!over && OVER.includes(brief().status)) await look(); // it came to an end while this look was taken
    };
    const stop = clips.subscribe(look);
    later(stop);
    look();
  }
}

function heading(name, measured = null, notices = []) {
  const line = typeof measured === "string" ? measured : measured && about(measured);
  const warnings = [...notices, ...(measured?.warnings ?? []).map(({ text }) => text)];
  return el(
    "div",
    { class: "recording-head" },
    el("p", { class: "small" }, el("a", { href: "#desk" }, "← Desk")),
    el("h1", { class: "recording-name" }, name),
    line ? el("p", { class: "soft small number" }, line) : null,
    warnings.length
      ? el(
          "ul",
          { class: "warnings small" },
          warnings.map((text) => el("li", {}, sentence(text))),
        )
      : null,
  );
}

const SOURCES = {
  container: "says the file",
  bext: "says the file",
  "file name": "says its name",
  given: "as you gave it",
};

// "pcm_s16le" as "PCM 16 bit", "amr_nb" as "AMR NB".
const codecWords = (codec) => {
  const bits = /^pcm_[a-z](\d+)/.exec(codec)?.[1];
  return bits ? `PCM ${bits} bit` : codec.toUpperCase().replace("_", " ");
};

function about({ recording }) {
  const parts = [
    clock(recording.duration_s, recording.duration_s < 600 ? 1 : 0),
    recording.codec && codecWords(recording.codec),
    recording.sample_rate_hz && `${recording.sample_rate_hz / 1000} kHz`,
  ];
  if (recording.recorded_at) {
    const day = `${recording.recorded_at.slice(0, 16).replace("T", " ")}${zoneWords(recording.recorded_at)}`;
    parts.push(`recorded ${day} (${SOURCES[recording.recorded_at_source] ?? recording.recorded_at_source})`);
  }
  return parts.filter(Boolean).join(" · ");
}

// On a narrow screen the parts lie far apart.
function jumps(places) {
  const go = (place) => {
    const title = place.querySelector("h2");
    title.setAttribute("tabindex", "-1");
    title.focus({ preventScroll: true });
    place.scrollIntoView();
  };
  return el(
    "nav",
    { class: "jumps row", "aria-label": "In this recording" },
    places.map(([words, place]) =>
      el("button", { type: "button", class: "quiet small", on: { click: () => go(place) } }, words),
    ),
  );
}

// What is said without a recording lies on no desk: the window remembers it, until it was kept.
function draft(later) {
  const left = unsent("seen", "new");
  const seen = store(left.value ?? {});
  later(seen.subscribe(() => left.set(seen.value)));
  return { seen, kept: () => left.set(null) };
}

const yes = async () => true;

// Beside each other on a wide screen: the bouts and what was seen; the answer. A part that fails takes nothing
// else with it.
async function answerParts(room, context, later, bouts = null) {
  const seen = el("div", { class: "seen-place room" });
  const answer = el("div", { class: "answer-place room" });
  if (bouts)
    room.querySelector(".recording-head").append(
      jumps([
        ["Bouts", bouts],
        ["What was seen", seen],
        ["What it may be", answer],
      ]),
    );
  room.append(el("div", { class: "open-columns" }, el("div", { class: "room" }, bouts, seen), answer));
  const form = { asking: store([]), faults: store({}), saved: yes, bouts: context.bench?.saved ?? yes };
  for (const [place, load] of [
    [seen, () => import("./seen.js")],
    [answer, () => import("./answer.js")],
  ]) {
    try {
      const { mount } = await load();
      if (context.left()) return;
      later(mount(place, { ...context, form }));
    } catch (error) {
      place.replaceChildren(trouble(error));
      console.error(error);
    }
  }
}
