// The bouts of the open recording as they stand on the page: the machine's, or corrected. Changes are sent one
// after the other, always the whole list; the newest measurement comes back with each.

import { store } from "./dom.js";
import { unsent } from "./unsent.js";

export const KINDS = {
  flight: { word: "flight", key: "1" },
  sonication: { word: "flower buzz", key: "2" },
  uncertain: { word: "unsure", key: "3" },
};

export const SHORTEST_S = 0.1; // as wingtone.tone.stretch has it

// Answers after which the bouts are as they were before: these the program refuses, whenever they are sent. After all
// others, as without its code, they may still be sent.
const REFUSED = [400, 409, 413, 422];

const asSent = ({ start_s, end_s, kind, octave }) => ({ start_s, end_s, kind, octave });

// What the tone room measured for a bout: the measured one that shares most of its time; null when none does.
export function measuredFor(bout, clip) {
  let best = null;
  let most = 0;
  for (const measured of clip?.measurement?.bouts ?? []) {
    const shared = Math.min(bout.end_s, measured.end_s) - Math.max(bout.start_s, measured.start_s);
    if (shared > most) [best, most] = [measured, shared];
  }
  return best;
}

export function boutBench({ wire, clip, announce, state: program }) {
  const bouts = store([]);
  const chosen = store(null); // the key of one bout, or null
  const state = store({ busy: false, error: null });
  let past = []; // earlier lists, for undo,
  let agreed = []; // and those from before the list that the desk holds
  let newestKey = 0;
  let sent = ""; // the bouts that the desk holds, as far as this window knows,
  let version; // and their version
  let underWay = null;
  let again = false;

  const home = () => `/api/clips/${encodeURIComponent(clip.value.id)}`;
  const address = () => `${home()}/bouts`;
  const text = (list) => JSON.stringify(list.map(asSent));
  const find = (key) => bouts.value.find((bout) => bout.key === key) ?? null;
  const sorted = (list) => list.toSorted((a, b) => a.start_s - b.start_s || a.end_s - b.end_s);

  function fromClip() {
    const told = clip.value.corrections ?? clip.value.measurement?.bouts ?? [];
    const before = bouts.value;
    const next = sorted(told).map((bout, i) => {
      const same =
        before.find((b) => b.start_s === bout.start_s && b.end_s === bout.end_s) ??
        (before.length === told.length ? before[i] : null);
      return { ...asSent({ octave: 0, ...bout }), key: same?.key ?? ++newestKey };
    });
    if (chosen.value !== null && !next.some((bout) => bout.key === chosen.value)) chosen.set(null);
    if (version !== clip.value.bouts_version) past = []; // it would take back what was done in another window
    agreed = [...past];
    sent = text(next);
    version = clip.value.bouts_version;
    bouts.set(next);
  }

  function send() {
    if (underWay) again = true;
    underWay ??= sending();
    return underWay;
  }

  async function sending() {
    state.set({ busy: true, error: null });
    try {
      do {
        again = false;
        const list = bouts.value.map(asSent);
        const steps = [...past];
        // keepalive: also arrives when the page is closed this very moment
        const newer = await wire.put(address(), { bouts: list, bouts_version: version }, { keepalive: true });
        sent = JSON.stringify(list);
        version = newer.bouts_version;
        agreed = steps;
        take(newer); // also when it is outdated already: it is what stands should the next be refused
      } while (again);
      underWay = null;
      state.set({ busy: false, error: null });
    } catch (error) {
      if (error.status === 409) await wire.get(home()).then(clip.set, () => {});
      underWay = null;
      if (REFUSED.includes(error.status)) {
        past = [...agreed]; // what was refused was never done
        fromClip();
      }
      state.set({ busy: false, error });
    }
    left.set(bench.unsent ? { bouts: bouts.value.map(asSent), version } : null);
  }

  async function restoring() {
    state.set({ busy: true, error: null });
    try {
      again = false;
      const newer = await wire.remove(address());
      underWay = null;
      version = newer.bouts_version;
      take(newer);
      if (again) return send(); // a bout was changed meanwhile: the later wish counts
      past.push(bouts.value);
      chosen.set(null);
      fromClip();
      announce("the machine's bouts are back; undo brings yours back");
      state.set({ busy: false, error: null });
    } catch (error) {
      underWay = null;
      state.set({ busy: false, error });
    }
  }

  // The newer clip, while the bouts on the page stay as they are.
  function take(newer) {
    own = true;
    clip.set(newer);
    own = false;
    bouts.set(bouts.value);
  }

  let own = false;
  const stops = [
    clip.subscribe(() => {
      if (!own && !underWay && clip.value && !bench.unsent) fromClip();
    }),
    program.subscribe(() => {
      if (bench.unsent && !underWay && !dragged) send();
    }),
  ];

  function replace(list, { remember = true } = {}) {
    if (remember) past.push(bouts.value);
    bouts.set(sorted(list));
    send();
  }

  let dragged = null; // the list before a drag began

  const bench = {
    bouts,
    chosen,
    state,
    find,
    leave() {
      for (const stop of stops) stop();
    },
    index: (key) => bouts.value.findIndex((bout) => bout.key === key),

    choose(key) {
      if (chosen.value !== key) chosen.set(key);
    },

    // While a handle is dragged: shown at once, sent by settle().
    drag(key, patch) {
      dragged ??= bouts.value;
      bouts.set(bouts.value.map((bout) => (bout.key === key ? { ...bout, ...patch } : bout)));
    },
    settle() {
      const before = dragged;
      dragged = null;
      if (!before || text(before) === text(bouts.value)) return;
      past.push(before);
      bouts.set(sorted(bouts.value));
      send();
    },

    change(key, patch) {
      bench.settle(); // each step of undo is one change
      const bout = find(key);
      if (!bout || Object.entries(patch).every(([name, value]) => bout[name] === value)) return;
      replace(bouts.value.map((other) => (other.key === key ? { ...other, ...patch } : other)));
    },
    add(start_s, end_s, kind = "flight") {
      bench.settle();
      const bout = { start_s, end_s, kind, octave: 0, key: ++newestKey };
      replace([...bouts.value, bout]);
      chosen.set(bout.key);
      announce(`bout added, ${KINDS[kind].word}`);
      return bout.key;
    },
    drop(key) {
      bench.settle();
      const at = bench.index(key);
      if (at < 0) return;
      const rest = bouts.value.filter((bout) => bout.key !== key);
      chosen.set(null);
      replace(rest);
      announce(`bout ${at + 1} dropped; undo brings it back`);
    },

    get canUndo() {
      return past.length > 0;
    },
    undo() {
      bench.settle();
      const list = past.pop();
      if (!list) return;
      replace(list, { remember: false });
      announce("undone");
    },
    get unsent() {
      return text(bouts.value) !== sent;
    },
    send,
    // Done when the desk holds the bouts of the page, or cannot be told them.
    async saved() {
      bench.settle();
      if (bench.unsent || underWay) await send();
      return !bench.unsent;
    },
    get corrected() {
      return Boolean(clip.value?.corrections) || bench.unsent;
    },
    restore() {
      underWay ??= restoring();
      return underWay;
    },
  };

  fromClip();
  const left = unsent("bouts", clip.value.id);
  const before = left.value;
  if (before && text(before.bouts) !== sent) {
    ({ version } = before); // bouts of another window are not overwritten by it
    replace(before.bouts.map((bout) => ({ ...bout, key: ++newestKey })));
  }
  return bench;
}
