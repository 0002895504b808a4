// The shell: places, routing by #hash, what all views share.
//
// How a view mounts
// -----------------
// A view is a module that exports `mount(element, context)`. It draws itself into `element` (empty when it gets
// it) and gives back nothing or a function that is called when the view is left (stop timers, unsubscribe).
// Drawing is by `el`, `svg` of dom.js (text never becomes markup). The context:
//
//   wire        fetch wrapper of wire.js: get, post, put, patch, remove, download; faults are `Refusal`s
//   state       store of GET /api/state (`state.value`, `state.subscribe(f)` gives back how to stop). It is asked for, and
//               set, again when the program answers after a silence: then what it could not be told or asked is due
//   clips       store of the briefs of all clips, newest first
//   navigate(hash)   go to a place: "#desk", "#desk/<clip id>", "#notebook", "#notebook/<n>", "#help"
//   announce(text)   say it to people who listen to the page (polite live region)
//   route       {place, id}: where we are; id is the clip's, the record's number, or null
//   left()      whether the view has been left: to be asked after each wait, as another one may stand there then
//
// In an open recording (desk/<id>), `seen.js` and `answer.js` mount beside the strip, and their context also has
//
//   clip        store of the whole Clip (GET /api/clips/{id}); whoever gets a newer one from the server sets it
//   seen        store of the seen object as it stands on the page, drafts included; seen.js sets it at each change,
//               answer.js watches it. It starts as clip.seen
//   play(from_s, to_s)   let a stretch be heard
//   form        what the two say to each other: asking (store of the answer's look_next), faults (store of what the
//               program says of single fields, {place: "..."}), saved() and bouts() (true once the desk holds what was seen,
//               and the bouts, as the page shows them)
//
// "#desk/new" opens the same without a recording (what was seen alone): clip.value is null there.

import { bringing } from "./bring.js";
import { el, store, trouble } from "./dom.js";
import { silence, wire } from "./wire.js";

const TRY_AGAIN_MS = 3000;
const main = document.getElementById("main");
const polite = document.getElementById("polite");

const PLACES = {
  desk: { title: "Desk", view: ({ id }) => (id ? import("./recording.js") : import("./desk.js")) },
  notebook: { title: "Notebook", view: () => import("./notebook.js") },
  help: { title: "Help", view: () => import("./help.js") },
};

const state = store(null);
const clips = store([]);

function announce(text) {
  polite.textContent = "";
  // A pause, so that the same words twice in a row are also heard twice.
  setTimeout(() => {
    polite.textContent = text;
  }, 60);
}

function navigate(hash) {
  if (location.hash === hash) show();
  else location.hash = hash;
}

function route() {
  const [place, id] = location.hash.slice(1).split("/");
  return Object.hasOwn(PLACES, place) ? { place, id: id ? decoded(id) : null } : { place: "desk", id: null };
}

function decoded(id) {
  try {
    return decodeURIComponent(id);
  } catch {
    return id; // then there is no such recording, which is told like any other that is not there
  }
}

// --- clips ----------------------------------------------------------------------------------------------

const newest = (list) =>
  list.toSorted((a, b) => b.added_at.localeCompare(a.added_at) || a.name.localeCompare(b.name));

function clipChanged(brief) {
  news?.set(brief.id, brief);
  put(brief);
}

function put(brief) {
  const before = clips.value.find((clip) => clip.id === brief.id);
  clips.set(newest([brief, ...clips.value.filter((clip) => clip.id !== brief.id)]));
  if (before?.status === brief.status) return;
  if (brief.status === "ready") announce(`${brief.name}: heard`);
  if (brief.status === "failed") announce(`${brief.name}: ${brief.error?.what ?? "could not be heard"}`);
}

function clipRemoved({ id }) {
  news?.set(id, null);
  clips.set(clips.value.filter((clip) => clip.id !== id));
}

let news = null; // what is told while the state is on its way, and newer than it: id -> brief, or null if removed
const sent = new Map(); // what uploads were answered since the state was last asked for: id -> brief

async function refresh() {
  const told = (news = new Map());
  sent.clear();
  const now = await wire.state();
  if (news !== told) return; // asked again meanwhile: that answer will be the newer one
  news = null;
  state.set(now);
  // The answer to an upload may be older than the state: it counts only for what the state does not know yet.
  const known = new Map([...sent, ...now.clips.map((brief) => [brief.id, brief]), ...told]);
  clips.set(newest([...known.values()].filter(Boolean)));
}

// --- places ---------------------------------------------------------------------------------------------

const context = { wire, state, clips, navigate, announce };

// What an event has told of a recording is newer than the answer to its upload, which may be read later.
function received(brief) {
  if (clips.value.some(({ id }) => id === brief.id)) return;
  sent.set(brief.id, brief);
  put(brief);
}

context.bring = bringing(context, { received });

let leave = null;
let turn = 0;
let stuck = false; // the place we are at did not come, for the program was silent or wants its code

// `arrived` is called as soon as the place is another one, while it may still be filling.
async function show(arrived = () => {}) {
  const now = route();
  const mine = ++turn;
  stuck = false;
  leave?.();
  leave = null;
  for (const link of document.querySelectorAll("[data-place]")) {
    if (link.dataset.place === now.place) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  const { title, view } = PLACES[now.place];
  document.title = `${title} · wingtone`;
  const room = el("div", { class: "room" });
  try {
    const { mount } = await view(now).catch(async (error) => {
      throw error instanceof TypeError ? ((await why()) ?? silence()) : error; // a module that does not come
    });
    if (mine !== turn) return; // already somewhere else
    main.replaceChildren(room);
    arrived();
    const leaving = (await mount(room, { ...context, route: now, left: () => mine !== turn })) ?? null;
    if (mine === turn) leave = leaving;
    else leaving?.();
  } catch (error) {
    if (mine !== turn) return;
    stuck = [0, 401].includes(error.status);
    main.replaceChildren(el("h1", {}, title), trouble(error));
    arrived();
    if (!("what" in error)) throw error; // a mistake of ours: let it be seen in the browser's console
  }
}

function themeButton() {
  const button = document.getElementById("theme");
  const name = () => {
    const dark = window.wingtoneTheme.name === "dark";
    button.textContent = dark ? "Light" : "Dusk";
    button.setAttribute(
      "aria-label",
      dark ? "Light: change to light colours" : "Dusk: change to dark colours",
    );
  };
  button.addEventListener("click", () => window.wingtoneTheme.toggle());
  document.addEventListener("wingtone-theme", name);
  name();
}

// Why the program does not give what it was asked for: it is silent, or wants its code; null when it is there.
const why = () =>
  wire.state().then(
    () => null,
    (error) => error,
  );

const lost = el("div", { class: "lost paper", hidden: true });
document.body.append(lost);

function tellLost(error) {
  const told = error ? trouble(error) : null;
  lost.hidden = !told;
  if ((told?.textContent ?? "") !== lost.textContent) lost.replaceChildren(...(told ? [told] : []));
}

// The program answers, after a silence or for the first time.
function stands() {
  tellLost(null);
  if (stuck) show();
}

// News of the clips, while the page is looked at: a browser opens only six lines to one program, for all its tabs.
function listen() {
  let close = () => {};
  let again = null;
  const shut = () => {
    close();
    clearTimeout(again);
  };
  const open = () => {
    shut();
    close = wire.events({
      clip: clipChanged,
      removed: clipRemoved,
      notebook: () => refresh().catch(() => {}), // when the line opens again it is asked for anyway
      open: () => refresh().then(stands, tellLost),
      lost: async () => {
        again = setTimeout(open, TRY_AGAIN_MS);
        tellLost(await why());
      },
    });
  };
  if (!document.hidden) open(); // one that is opened behind another has not been looked at yet
  document.addEventListener("visibilitychange", () => (document.hidden ? shut() : open()));
}

// Its address would be taken for that of a place.
function skipLink() {
  document.querySelector(".skip").addEventListener("click", (event) => {
    event.preventDefault();
    main.focus();
  });
}

async function begin() {
  themeButton();
  skipLink();
  try {
    await refresh();
  } catch (error) {
    main.replaceChildren(el("h1", {}, "wingtone"), trouble(error));
    return;
  }
  listen();
  window.addEventListener("hashchange", async () => {
    const before = document.activeElement;
    await show(() => window.scrollTo(0, 0));
    // Who has gone on to something of the new place meanwhile is left there.
    if ([before, document.body].includes(document.activeElement)) main.focus({ preventScroll: true });
  });
  await show();
  context.bring.resume();
}

begin();
