// Hearing a recording: whole or a stretch, at half speed, with everything or only the comb of the tone. The
// program hands out WAV, which every browser plays, a piece at a time, so that an hour begins at once.

import { clock, el, svg } from "./dom.js";

const FIRST_PIECE_S = 15; // made quickly, so that it is heard quickly
const PIECE_S = 120; // at half speed 240 s of sound, within what the program gives at a time

export function player({ clip, length, head }) {
  const audio = new Audio();
  audio.preload = "auto";
  let piece = null; // {from_s, to_s, until_s}
  let frame = 0;

  const half = el(
    "button",
    { type: "button", "aria-pressed": "false", on: { click: () => press(half) } },
    "Half speed",
  );
  const comb = el(
    "button",
    {
      type: "button",
      "aria-pressed": "false",
      title: "Takes out everything but the tone and its multiples",
      on: { click: () => press(comb) },
    },
    "Only the tone",
  );
  const main = el("button", { type: "button", class: "strong play", on: { click: toggle } });
  const time = el("span", { class: "number time", "aria-hidden": "true" });
  const word = el("span", { class: "soft small", role: "status" });
  const element = el(
    "div",
    { class: "row player", role: "group", "aria-label": "Listen" },
    main,
    half,
    comb,
    time,
    word,
  );

  const showComb = () => (comb.hidden = clip.value.status !== "ready"); // no tone is known before
  const on = (button) => button.getAttribute("aria-pressed") === "true";

  function press(button) {
    button.setAttribute("aria-pressed", String(!on(button)));
    if (piece && !audio.paused)
      listen(head.value, piece.until_s); // goes on from here, the new way
    else piece = null;
  }

  let shown = null;
  function show() {
    const playing = piece !== null && !audio.paused;
    time.textContent = `${clock(head.value)} of ${clock(length.value)}`;
    if (shown === playing) return;
    shown = playing;
    main.replaceChildren(symbol(playing), playing ? "Pause" : "Play");
  }

  function load(from_s, until_s, length_s) {
    const to_s = Math.min(until_s, from_s + length_s);
    piece = { from_s, to_s, until_s };
    const query = new URLSearchParams({
      from_s: from_s.toFixed(3),
      to_s: to_s.toFixed(3),
      speed: on(half) ? "0.5" : "1",
      only: on(comb) ? "comb" : "all",
    });
    audio.src = `/api/clips/${encodeURIComponent(clip.value.id)}/sound.wav?${query}`;
    word.textContent = "";
    audio.play().catch((error) => {
      // AbortError: another piece was asked for meanwhile
      if (error.name !== "AbortError") stopped("this stretch cannot be played");
    });
  }

  function listen(from_s, until_s) {
    head.set(from_s);
    load(from_s, until_s, FIRST_PIECE_S);
  }

  function stopped(text) {
    piece = null;
    word.textContent = text;
    show();
  }

  function step() {
    if (piece && !audio.paused) {
      const speed = on(half) ? 0.5 : 1;
      head.set(Math.min(piece.to_s, piece.from_s + audio.currentTime * speed));
      frame = requestAnimationFrame(step);
    }
    show();
  }

  function ended() {
    if (!piece) return;
    if (piece.to_s < piece.until_s - 1e-3) {
      load(piece.to_s, piece.until_s, PIECE_S);
      return;
    }
    head.set(piece.until_s >= length.value - 1e-3 ? 0 : piece.until_s);
    piece = null;
    show();
  }

  function toggle() {
    if (piece && !audio.paused) audio.pause();
    else if (piece) audio.play();
    else listen(head.value >= length.value - 0.05 ? 0 : head.value, length.value);
  }

  audio.addEventListener("playing", () => {
    cancelAnimationFrame(frame);
    step();
  });
  audio.addEventListener("pause", () => head.set(head.value)); // all who watch learn where it stopped
  audio.addEventListener("ended", ended);
  audio.addEventListener("error", () => piece && stopped("this stretch cannot be played"));
  show();
  showComb();
  const stops = [head.subscribe(show), length.subscribe(show), clip.subscribe(showComb)];

  return {
    element,
    toggle,
    play: listen,
    get playing() {
      return piece !== null && !audio.paused;
    },
    // Somebody put the head elsewhere: go on from there, or begin there next time.
    moved(at_s) {
      head.set(at_s);
      if (piece && !audio.paused) listen(at_s, at_s < piece.until_s ? piece.until_s : length.value);
      else piece = null;
    },
    leave() {
      for (const stop of stops) stop();
      piece = null;
      audio.pause();
      audio.removeAttribute("src");
    },
  };
}

const symbol = (playing) =>
  svg(
    "svg",
    { viewBox: "0 0 20 20", "aria-hidden": "true" },
    svg("path", { d: playing ? "M4 3h4v14H4zM12 3h4v14h-4z" : "M5 2.5l12 7.5-12 7.5z" }),
  );
