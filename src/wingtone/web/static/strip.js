// The strip: a recording from left to right. Look closer, move along, choose a bout, drag its ends, draw a new one.

import { KINDS, SHORTEST_S } from "./bouts.js";
import { clock, el } from "./dom.js";
import { drawBounds, drawLine, drawScales, drawTiles, gapOf, levelFor } from "./strip_draw.js";
import { boutEnd } from "./strip_ends.js";
import { keysOf } from "./strip_keys.js";
import { between, round } from "./strip_numbers.js";
import { soundColours, tileStore } from "./tiles.js";

const LONG_S = 120; // longer recordings are not shown whole at first
const CLOSEST_S = 0.4; // nothing to see in less
const FOOT_PX = 24;
const SLIM_PX = 7; // narrower bouts get neither pattern nor bounds
const MOVED_PX = 4; // less is a click, not a drag

export async function strip({ wire, state, clip, bench, head, length, announce, hear }) {
  const id = encodeURIComponent(clip.value.id);
  let geometry = await wire.get(`/api/clips/${id}/strip`);
  const { low_hz, high_hz } = geometry;
  let { duration_s } = geometry; // grows while the recording is still being listened to
  length.set(duration_s);
  let look = { from_s: 0, to_s: duration_s };
  let moved = false; // somebody has chosen where to look
  let top_hz = Math.min(1000, high_hz);
  let size = { width: 0, height: 0 };
  let line = null;
  let ink = null;

  const heard = () => clip.value.status === "ready"; // before, there is neither a tone line nor a bout to be changed
  const span = () => look.to_s - look.from_s;
  const xOf = (t) => ((t - look.from_s) / span()) * size.width;
  const timeAt = (x) => between(0, look.from_s + (x / size.width) * span(), duration_s);
  const localX = (event) => event.clientX - sheet.getBoundingClientRect().left;

  // --- parts -------------------------------------------------------------------------------------------

  const canvas = el("canvas", {});
  const sheet = el(
    "div",
    {
      class: "sheet",
      role: "slider",
      tabindex: "0",
      "aria-label": "Place in the recording",
      "aria-describedby": "strip-hint",
      "aria-valuemin": "0",
      "aria-valuemax": duration_s.toFixed(2),
      "aria-valuenow": "0",
    },
    canvas,
  );
  const lane = el("div", { class: "lane", "aria-hidden": "true" });
  const needle = el("div", { class: "needle", "aria-hidden": "true" });
  const draft = el("div", { class: "draft", hidden: true, "aria-hidden": "true" });
  const ends = ["start", "end"].map((end) =>
    boutEnd(end, { bench, length, xOf, timeAt, localX, width: () => size.width }),
  );
  const overCanvas = el("canvas", {});
  const frame = el("div", { class: "overview-frame" });
  const overview = el("div", { class: "overview", "aria-hidden": "true" }, overCanvas, frame);
  const field = el(
    "div",
    { class: "strip-field" },
    lane,
    sheet,
    draft,
    needle,
    ...ends.map((end) => end.node),
  );

  const tool = (name, label, press) =>
    el(
      "button",
      { type: "button", class: "tool", "aria-label": label, title: label, on: { click: press } },
      name,
    );
  const adding = el(
    "button",
    { type: "button", "aria-pressed": "false", on: { click: () => setAdding(!isAdding()) } },
    "Add a bout",
  );
  const isAdding = () => adding.getAttribute("aria-pressed") === "true";
  const heights = el(
    "select",
    { on: { change: () => ((top_hz = Number(heights.value)), changed()) } },
    [500, 1000, 2000]
      .filter((f) => f <= high_hz)
      .map((f) => el("option", { value: f, selected: f === top_hz }, `${f} Hz`)),
  );
  const tools = el(
    "div",
    { class: "row tools", role: "group", "aria-label": "The strip" },
    tool("−", "See more", () => zoom(2)),
    tool("+", "Look closer", () => zoom(0.5)),
    tool("Whole", "The whole recording", () => lookAt(0, duration_s)),
    adding,
    el("label", { class: "small" }, "up to", heights),
  );
  const hint = el(
    "p",
    { class: "small soft hint", id: "strip-hint" },
    "Drag to move along, pinch to look closer. Drag in the band above the strip to add a bout. ",
    el(
      "span",
      { class: "hint-mouse" },
      "Once you have clicked on the strip, the wheel looks closer, and the keys listed under Help work.",
    ),
  );
  const element = el("div", { class: "strip" }, tools, field, overview, hint);

  const tiles = tileStore({
    address: (level, n) => `/api/clips/${id}/tiles/${level}/${n}.png`,
    ready: () => changed(),
  });

  // --- where we look -----------------------------------------------------------------------------------

  function lookAt(from_s, to_s) {
    const wide = between(Math.min(CLOSEST_S, duration_s), to_s - from_s, duration_s);
    const from = between(0, from_s + (to_s - from_s - wide) / 2, duration_s - wide);
    moved = true;
    look = { from_s: from, to_s: from + wide };
    changed();
    fetchLine();
  }
  const pan = (by_s) => lookAt(look.from_s + by_s, look.to_s + by_s);

  function zoom(
    factor,
    around_s = head.value >= look.from_s && head.value <= look.to_s
      ? head.value
      : (look.from_s + look.to_s) / 2,
  ) {
    const wide = between(Math.min(CLOSEST_S, duration_s), span() * factor, duration_s);
    const share = (around_s - look.from_s) / span();
    lookAt(around_s - share * wide, around_s + (1 - share) * wide);
  }

  function reveal(bout) {
    const long = bout.end_s - bout.start_s;
    if (bout.start_s >= look.from_s && bout.end_s <= look.to_s && (long / span()) * size.width > 24) return;
    const wide = Math.max(long * 2.5, Math.min(span(), long * 20));
    const middle = (bout.start_s + bout.end_s) / 2;
    lookAt(middle - wide / 2, middle + wide / 2);
  }

  // --- the tone line -------------------------------------------------------------------------------------

  let lineTimer = 0;
  let lineAsked = null;
  let lineComes = true;
  function fetchLine() {
    adding.hidden = !heard();
    lineComes = heard();
    if (!heard()) return changed();
    clearTimeout(lineTimer);
    lineTimer = setTimeout(async () => {
      lineAsked?.abort();
      lineAsked = new AbortController();
      const query = new URLSearchParams({
        from_s: Math.max(0, look.from_s - span() / 2).toFixed(3),
        to_s: Math.min(duration_s, look.to_s + span() / 2).toFixed(3),
        points: String(Math.max(200, Math.round(size.width * 2))),
      });
      try {
        const got = await wire.get(`/api/clips/${id}/line?${query}`, { signal: lineAsked.signal });
        line = { ...got, gap_s: gapOf(got) };
      } catch (error) {
        if (error.name === "AbortError") return; // a newer one is on its way
        line = null; // without the line the strip is still of use
      }
      lineComes = false;
      changed();
    }, 100);
  }

  // --- drawing -------------------------------------------------------------------------------------------

  let asked = 0;
  function changed() {
    if (!asked) asked = requestAnimationFrame(draw);
  }

  function colours() {
    const style = getComputedStyle(element);
    const of = (name) => style.getPropertyValue(name).trim();
    ink = {
      ink: of("--ink"),
      halo: of("--tone-halo"),
      tone: of("--tone"),
      flight: of("--kind-flight"),
      sonication: of("--kind-shaking"),
      uncertain: of("--kind-unsure"),
      quiet: of("--sound-0"),
      font: `12px ${of("--plain")}`,
    };
    tiles.colour(soundColours(element));
  }

  function brushOf(target, width, height) {
    const dense = Math.min(2, window.devicePixelRatio || 1);
    if (target.width !== Math.round(width * dense) || target.height !== Math.round(height * dense)) {
      target.width = Math.round(width * dense);
      target.height = Math.round(height * dense);
    }
    const brush = target.getContext("2d");
    brush.setTransform(dense, 0, 0, dense, 0, 0);
    brush.clearRect(0, 0, width, height);
    return brush;
  }

  function draw() {
    asked = 0;
    if (!size.width) return;
    if (!ink) colours();
    const brush = brushOf(canvas, size.width, size.height + FOOT_PX);
    brush.fillStyle = ink.quiet;
    brush.fillRect(0, 0, size.width, size.height);
    const view = { ...look, ...size, top_hz, low_hz, slim_s: (SLIM_PX / size.width) * span() };
    const level = levelFor(geometry, span(), size.width * Math.min(1.5, window.devicePixelRatio || 1));
    const missing = drawTiles(brush, tiles, geometry, { ...view, level, ask: true });
    field.dataset.busy = String(missing > 0 || lineComes);
    brush.save();
    brush.beginPath();
    brush.rect(0, 0, size.width, size.height);
    brush.clip();
    drawBounds(brush, bench.bouts.value, bench.chosen.value, view, ink);
    if (line?.time_s.length) drawLine(brush, line, view, ink);
    brush.restore();
    drawScales(brush, view, ink);
    drawLane();
    drawOverview(level);
    drawNeedle();
  }

  // A bout each; those too narrow to be told apart are drawn as one.
  function shownBouts() {
    const shown = [];
    bench.bouts.value.forEach((bout, i) => {
      if (bout.end_s < look.from_s || bout.start_s > look.to_s) return;
      const x = Math.max(-2, xOf(bout.start_s));
      const end = Math.max(x + 2, Math.min(size.width + 2, xOf(bout.end_s)));
      const slim = end - x < SLIM_PX;
      const before = shown.at(-1);
      if (slim && before?.slim && before.bout.kind === bout.kind && x - before.end < 3) {
        before.end = end;
        before.n += 1;
      } else {
        shown.push({ bout, i, x, end, slim, n: 1 });
      }
    });
    return shown;
  }

  const chips = new Map();
  function drawLane() {
    const gone = new Set(chips.keys());
    for (const { bout, i, x, end, slim, n } of shownBouts()) {
      gone.delete(bout.key);
      let chip = chips.get(bout.key);
      if (!chip) {
        chip = { node: el("div", { class: "chip" }, el("span", { class: "chip-word" })), drawn: "" };
        chip.node.addEventListener("click", () => {
          bench.choose(bout.key);
          if (chip.node.dataset.slim === "true") reveal(bench.find(bout.key));
        });
        chips.set(bout.key, chip);
        lane.append(chip.node);
      }
      const wide = Math.max(4, end - x);
      chip.node.style.left = `${x}px`;
      chip.node.style.width = `${wide}px`;
      const chosen = bout.key === bench.chosen.value;
      const word = n > 1 ? "bouts" : KINDS[bout.kind].word;
      const number = n > 1 ? n : i + 1;
      const shown =
        wide > 18 + 7.4 * (word.length + 2) ? `${number} ${word}` : wide > 26 ? String(number) : "";
      const drawn = [bout.kind, chosen, slim, shown].join();
      if (chip.drawn === drawn) continue; // most of the time only the place changes
      chip.drawn = drawn;
      Object.assign(chip.node.dataset, { kind: bout.kind, chosen, slim });
      chip.node.firstChild.textContent = shown;
    }
    for (const key of gone) {
      chips.get(key).node.remove();
      chips.delete(key);
    }
    const bout = bench.find(bench.chosen.value);
    for (const end of ends) end.place(bout);
  }

  function drawNeedle() {
    const x = xOf(head.value);
    needle.hidden = x < 0 || x > size.width;
    needle.style.transform = `translateX(${x}px)`;
    if (hear.playing) return; // sixty places a second are not to be read out
    sheet.setAttribute("aria-valuenow", head.value.toFixed(2));
    const within = bench.bouts.value.findIndex(
      (bout) => bout.start_s <= head.value && head.value < bout.end_s,
    );
    const where = within < 0 ? "" : `, in bout ${within + 1}, ${KINDS[bench.bouts.value[within].kind].word}`;
    sheet.setAttribute("aria-valuetext", `${clock(head.value)} of ${clock(duration_s)}${where}`);
  }

  function drawOverview(level) {
    overview.hidden = span() > duration_s * 0.98;
    if (overview.hidden) return;
    const height = 34;
    const brush = brushOf(overCanvas, size.width, height);
    brush.fillStyle = ink.quiet;
    brush.fillRect(0, 0, size.width, height);
    const all = { from_s: 0, to_s: duration_s, width: size.width, height, top_hz, low_hz };
    const whole = levelFor(geometry, duration_s, size.width);
    // Its tiles are those of the whole view, which are there as a rule; asking would drop the queue of the strip.
    if (whole.level !== level.level)
      drawTiles(brush, { ...tiles, forgetQueue() {} }, geometry, { ...all, level: whole, ask: true });
    for (const bout of bench.bouts.value) {
      brush.fillStyle = ink[bout.kind];
      const x = (bout.start_s / duration_s) * size.width;
      brush.fillRect(x, height - 6, Math.max(2, ((bout.end_s - bout.start_s) / duration_s) * size.width), 6);
    }
    frame.style.left = `${(look.from_s / duration_s) * size.width}px`;
    frame.style.width = `${Math.max(6, (span() / duration_s) * size.width)}px`;
  }

  // --- hands: drag, pinch, wheel -----------------------------------------------------------------------------

  function setAdding(on) {
    adding.setAttribute("aria-pressed", String(on));
    field.dataset.adding = String(on);
    if (on) announce("drag over the strip to add a bout, or press B where it begins and B where it ends");
  }

  function showDraft(a, b) {
    draft.hidden = false;
    draft.style.left = `${xOf(Math.min(a, b))}px`;
    draft.style.width = `${Math.max(1, xOf(Math.max(a, b)) - xOf(Math.min(a, b)))}px`;
  }

  function finishDraft(a, b) {
    draft.hidden = true;
    setAdding(false);
    const [from, to] = [round(Math.min(a, b)), round(Math.max(a, b))];
    if (to - from >= SHORTEST_S) bench.add(from, to);
  }

  const fingers = new Map();
  let drag = null; // {x, look, drawing, moved} of the first finger
  let pinch = null;

  function down(event, drawing) {
    if (event.button !== 0) return;
    event.currentTarget.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, localX(event));
    if (fingers.size === 2) {
      const [a, b] = [...fingers.values()];
      pinch = { apart: Math.max(20, Math.abs(a - b)), middle_s: timeAt((a + b) / 2), span: span() };
      drag = null;
      draft.hidden = true;
    } else if (fingers.size === 1) {
      drag = { x: localX(event), look, drawing, moved: false, begin_s: timeAt(localX(event)) };
    }
  }

  function move(event) {
    if (!fingers.has(event.pointerId)) return;
    fingers.set(event.pointerId, localX(event));
    if (pinch && fingers.size === 2) {
      const [a, b] = [...fingers.values()];
      const wide = between(
        Math.min(CLOSEST_S, duration_s),
        (pinch.span * pinch.apart) / Math.max(20, Math.abs(a - b)),
        duration_s,
      );
      const share = (a + b) / 2 / size.width;
      lookAt(pinch.middle_s - share * wide, pinch.middle_s + (1 - share) * wide);
      return;
    }
    if (!drag) return;
    const by = localX(event) - drag.x;
    if (!drag.moved && Math.abs(by) < MOVED_PX) return;
    drag.moved = true;
    if (drag.drawing) showDraft(drag.begin_s, timeAt(localX(event)));
    else {
      const by_s = (by / size.width) * span();
      lookAt(drag.look.from_s - by_s, drag.look.to_s - by_s);
    }
  }

  function up(event) {
    if (!fingers.delete(event.pointerId)) return;
    const was = drag;
    drag = null;
    if (fingers.size < 2) pinch = null;
    if (!was) return;
    if (event.type === "pointercancel") draft.hidden = true;
    else if (was.moved && was.drawing) finishDraft(was.begin_s, timeAt(localX(event)));
    else if (!was.moved && event.currentTarget === sheet) hear.moved(was.begin_s);
  }

  sheet.addEventListener("pointerdown", (event) => down(event, isAdding()));
  lane.addEventListener("pointerdown", (event) => event.target === lane && heard() && down(event, true));
  for (const place of [sheet, lane]) {
    place.addEventListener("pointermove", move);
    place.addEventListener("pointerup", up);
    place.addEventListener("pointercancel", up);
  }

  field.addEventListener(
    "wheel",
    (event) => {
      const along = event.shiftKey ? event.deltaY || event.deltaX : event.deltaX;
      const unit = event.deltaMode === 1 ? 16 : 1;
      if (event.ctrlKey || event.metaKey) zoom(Math.exp(event.deltaY * unit * 0.01), timeAt(localX(event)));
      else if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY))
        pan((along * unit * span()) / size.width);
      // A wheel that only passes over the strip scrolls the page; it belongs to the strip once that was clicked.
      else if (field.contains(document.activeElement))
        zoom(Math.exp(event.deltaY * unit * 0.002), timeAt(localX(event)));
      else return;
      event.preventDefault();
    },
    { passive: false },
  );

  function overviewTo(event) {
    const box = overview.getBoundingClientRect();
    const t = ((event.clientX - box.left) / box.width) * duration_s;
    lookAt(t - span() / 2, t + span() / 2);
  }
  overview.addEventListener("pointerdown", (event) => {
    overview.setPointerCapture(event.pointerId);
    overviewTo(event);
  });
  overview.addEventListener(
    "pointermove",
    (event) => overview.hasPointerCapture(event.pointerId) && overviewTo(event),
  );

  const view = {
    heard,
    get look() {
      return look;
    },
    span,
    pan,
    zoom,
    lookAt,
    reveal,
    setAdding,
  };
  field.addEventListener("keydown", keysOf({ bench, head, length, hear, announce, view }));

  // --- life ----------------------------------------------------------------------------------------------

  const measure = new ResizeObserver(() => {
    const box = sheet.getBoundingClientRect();
    const first = !size.width;
    size = { width: box.width, height: box.height - FOOT_PX };
    changed();
    if (first) fetchLine();
  });
  measure.observe(sheet);

  const stops = [
    bench.bouts.subscribe(changed),
    bench.chosen.subscribe(changed),
    clip.subscribe(fetchLine),
    state.subscribe(() => (line ? changed() : fetchLine())), // what did not come before is asked for again
    head.subscribe(() => {
      if (hear.playing && (head.value > look.to_s || head.value < look.from_s))
        lookAt(head.value - span() * 0.05, head.value + span() * 0.95);
      else drawNeedle();
    }),
  ];
  const themed = () => {
    ink = null;
    changed();
  };
  document.addEventListener("wingtone-theme", themed);

  // An hour at once says little: begin where the first bouts are.
  function begin() {
    const first = bench.bouts.value[0]?.start_s ?? 10;
    if (duration_s > LONG_S) lookAt(first - 10, first + 50);
    else lookAt(0, duration_s);
    moved = false;
  }

  // While a recording is still being listened to: what has come since.
  async function refresh() {
    const { ready_s, complete } = geometry;
    geometry = await wire.get(`/api/clips/${id}/strip`);
    if (!complete)
      tiles.drop(
        ({ level, n }) => (n + 1) * (geometry.levels[level]?.seconds_per_tile ?? Infinity) > ready_s - 1,
      );
    if (geometry.duration_s !== duration_s) {
      duration_s = geometry.duration_s;
      length.set(duration_s);
      sheet.setAttribute("aria-valuemax", duration_s.toFixed(2));
    }
    if (!moved) begin();
    changed();
  }

  begin();
  return {
    element,
    reveal,
    refresh,
    leave() {
      for (const stop of stops) stop();
      document.removeEventListener("wingtone-theme", themed);
      measure.disconnect();
      cancelAnimationFrame(asked);
      clearTimeout(lineTimer);
    },
  };
}
