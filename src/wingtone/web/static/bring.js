// Bringing recordings: choose, drop or paste files anywhere on the page; each is sent by itself and can fail by
// itself. Files that wait to be sent are also kept in the browser's own store (IndexedDB), so that a reload in
// the middle loses none of them.

import { store } from "./dom.js";

const ARRIVED_MS = 800; // for word of a file that was sent just before a reload
const HOPELESS = [413, 415]; // too large, no recording: nothing but another file helps
const AT_ONCE = 3; // sendings at a time: enough to keep a disk busy, few enough for progress to be seen

// --- the browser's store of waiting files ---------------------------------------------------------------

const database = () =>
  new Promise((resolve, reject) => {
    const ask = indexedDB.open("wingtone", 1);
    ask.onupgradeneeded = () => ask.result.createObjectStore("waiting", { autoIncrement: true });
    ask.onsuccess = () => resolve(ask.result);
    ask.onerror = () => reject(ask.error);
  });

async function inStore(mode, work) {
  const open = await database();
  try {
    return await new Promise((resolve, reject) => {
      const transaction = open.transaction("waiting", mode);
      const asked = work(transaction.objectStore("waiting"));
      transaction.oncomplete = () => resolve(asked.result);
      transaction.onerror = transaction.onabort = () => reject(transaction.error);
    });
  } finally {
    open.close();
  }
}

const keep = (file, id) => inStore("readwrite", (waiting) => waiting.add({ file, name: file.name, id }));
const forget = (key) => inStore("readwrite", (waiting) => waiting.delete(key));
async function kept() {
  let keys = null; // of the same moment: another window may be done with one of them in between
  const items = await inStore("readonly", (waiting) => {
    keys = waiting.getAllKeys();
    return waiting.getAll();
  });
  return items.map((item, i) => ({ ...item, key: keys.result[i] }));
}

// Every file that is brought has an id of its own, which the desk keeps beside it: names are no mark of a file.
const newId = () =>
  [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

// The window that has a file has its lock until it is done with it, and no other window takes it up meanwhile. Gives
// how to let go, or null when another window has it. Browsers lock nothing for pages of other machines (--lan).
const hold = (id) =>
  !navigator.locks
    ? Promise.resolve(() => {})
    : new Promise((resolve) => {
        navigator.locks.request(`wingtone ${id}`, { ifAvailable: true }, (lock) =>
          lock ? new Promise((done) => resolve(done)) : resolve(null),
        );
      });

// --- sending --------------------------------------------------------------------------------------------

// Whether trying again can change nothing. What this page itself refuses has no status.
export const hopeless = ({ status }) => status === undefined || HOPELESS.includes(status);

// What the shell and the desk use: `sending` (store of {name, share, error} on their way or refused),
// `files(list)`, `dismiss(entry)`, `retry(entry)`, `resume()` (once the page is open). A file leaves the browser's
// store when it has arrived, when it is cleared away, or when it can never arrive; whatever else is wrong, it may be
// the only copy.
export function bringing({ wire, state, clips, announce, navigate }, { received }) {
  const sending = store([]);
  const waiting = [];
  let busy = 0;

  const changed = () => sending.set([...sending.value]);
  const without = (entry) => sending.set(sending.value.filter((other) => other !== entry));

  function refused(file) {
    const limit = state.value?.limits?.file_bytes;
    if (file.size === 0) return { what: "the file is empty", remedy: "copy it again from the phone" };
    if (limit && file.size > limit) {
      const megabytes = Math.floor(limit / 1e6);
      return { what: `the file is larger than ${megabytes} MB`, remedy: "cut it into shorter pieces" };
    }
    return null;
  }

  function take(file, name, id, { key, held } = {}) {
    const entry = { name, share: 0, error: refused(file), file, id, key, held };
    sending.set([...sending.value, entry]);
    if (!entry.error) waiting.push(entry);
    return entry;
  }

  async function release(entry) {
    const key = await entry.key;
    if (key !== undefined) await forget(key).catch(() => {});
    (await entry.held)?.();
  }

  async function send(entry) {
    busy += 1;
    try {
      const heard = (share) => {
        entry.share = share;
        changed();
      };
      const brief = await wire.upload(entry.file, entry.name, { heard, id: entry.id });
      without(entry);
      received(brief);
      if (entry.alone && !pinned() && ["", "#desk"].includes(location.hash)) navigate(`#desk/${brief.id}`);
      await release(entry);
    } catch (error) {
      entry.error = error;
      changed();
      announce(`${entry.name}: ${error.what ?? error.message}`);
      if (hopeless(error)) await release(entry);
    } finally {
      busy -= 1;
      next();
    }
  }

  // Not before the program has told what a sending must carry: a file may fall onto a page that is still opening.
  function next() {
    while (state.value && busy < AT_ONCE && waiting.length) send(waiting.shift());
  }

  // A file that comes alone is opened as soon as it is here, unless one has gone elsewhere meanwhile.
  function files(list, { stay = false } = {}) {
    const chosen = [...list];
    if (!chosen.length) return;
    const alone = chosen.length === 1 && !stay && sending.value.every((entry) => entry.error);
    announce(chosen.length === 1 ? `bringing ${chosen[0].name}` : `bringing ${chosen.length} files`);
    for (const file of chosen) {
      const entry = take(file, file.name, newId());
      // A browser without room or in private mode keeps nothing: then only the sending itself is left.
      if (!entry.error) {
        entry.held = hold(entry.id);
        entry.key = entry.held.then(() => keep(file, entry.id)).catch(() => undefined);
      }
      entry.alone = alone;
    }
    if (!stay && location.hash !== "" && location.hash !== "#desk") navigate("#desk");
    next();
  }

  async function retry(entry) {
    entry.error = null;
    entry.share = 0;
    changed();
    const now = await wire.state().catch(() => null); // a program that was started anew wants another token
    if (now?.clips.some((clip) => clip.upload === entry.id)) return dismiss(entry); // only its answer got lost
    waiting.push(entry);
    next();
  }

  function dismiss(entry) {
    without(entry);
    release(entry);
  }

  async function resume() {
    next();
    let left = [];
    try {
      left = await kept();
    } catch {
      return;
    }
    if (!left.length) return;
    // One may have arrived just as the page was left, with nobody there any more to hear of it.
    await new Promise((done) => setTimeout(done, ARRIVED_MS));
    for (const { file, name, key, id } of left) {
      const letGo = await hold(id);
      if (!letGo) continue;
      const here = (await kept().catch(() => [])).some((item) => item.key === key);
      const arrived = clips.value.some((clip) => clip.upload === id);
      if (here && !arrived) {
        take(file, name, id, { key, held: letGo });
        continue;
      }
      if (here) await forget(key).catch(() => {});
      letGo();
    }
    next();
  }

  // Something under way on the desk, as a recording with the microphone, that opening a file would end.
  let pinned = () => false;
  const pin = (asked) => (pinned = asked);

  landing(files);
  return { sending, files, pin, dismiss, retry, resume };
}

// The whole page is the place to drop.
function landing(files) {
  const sign = document.getElementById("letting-go");
  const carries = (event) => [...(event.dataTransfer?.types ?? [])].includes("Files");
  let depth = 0;
  const over = (by) => {
    depth = Math.max(0, depth + by);
    sign.hidden = depth === 0;
  };
  window.addEventListener("dragenter", (event) => carries(event) && over(1));
  window.addEventListener("dragleave", (event) => carries(event) && over(-1));
  window.addEventListener("dragover", (event) => {
    if (!carries(event)) return;
    event.preventDefault();
    event.dataTransfer.dropEffect = "copy";
  });
  window.addEventListener("drop", (event) => {
    if (!carries(event)) return;
    event.preventDefault();
    over(-depth);
    files(event.dataTransfer.files);
  });
  window.addEventListener("paste", (event) => {
    if (event.clipboardData?.files.length) files(event.clipboardData.files);
  });
}
