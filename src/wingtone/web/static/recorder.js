// Recording with the browser's microphone. The voice processing of browsers is made to remove hums, so it is
// asked to stay off; what the browser really did is said. The sound becomes a 16-bit WAV in the page and is then
// brought like any other file.

import { clock, el, sentence, svg } from "./dom.js";

const LONGEST_S = 600; // ten minutes: 58 MB at 48 kHz, what a phone's browser surely holds
const CLIPPED = 0.985; // share of full scale; converters and browsers stop a little short of 1
const QUIET_DB = -50; // below this a bee would hardly stand out of a phone's own hiss; ours
const RUMBLE_SHARE = 0.8; // share of the power below 80 Hz from which wind is suspected; ours, a rough sign only
const HOLD_S = 1.5; // how long a warning stays

export function recorder({ bring, announce }) {
  let session = null;
  let left = false;
  bring.pin(() => Boolean(session));

  const button = el("button", { type: "button", on: { click: start } }, dot(), "Record here");
  const fill = el("div", { class: "level-fill" });
  const meter = el(
    "div",
    {
      class: "level",
      role: "meter",
      "aria-label": "Level of the microphone",
      "aria-valuemin": "-60",
      "aria-valuemax": "0",
      "aria-valuenow": "-60",
      "aria-valuetext": "silent",
    },
    fill,
  );
  const time = el("span", { class: "record-time number" }, "0:00");
  const word = el("p", { class: "level-word" }, " ");
  const processing = el("p", { class: "small soft" });
  const stop = el(
    "button",
    { type: "button", class: "strong", on: { click: () => finish(true) } },
    square(),
    "Stop and keep",
  );
  const discard = el(
    "button",
    { type: "button", class: "quiet", on: { click: () => finish(false) } },
    "Throw away",
  );
  const live = el(
    "div",
    { hidden: true },
    el("div", { class: "row" }, time, stop, discard),
    meter,
    word,
    processing,
  );
  const fault = el("div", {});
  const panel = el("div", { class: "record-panel", hidden: true }, el("h3", {}, "Recording"), live, fault);

  function failed(what, remedy) {
    live.hidden = true;
    panel.hidden = false;
    fault.replaceChildren(
      el("p", { class: "trouble", role: "alert" }, el("strong", {}, sentence(what)), ` ${sentence(remedy)}`),
    );
    button.disabled = false;
    if (!left) button.focus(); // which it lost
  }

  async function start() {
    fault.replaceChildren();
    button.disabled = true;
    if (!navigator.mediaDevices?.getUserMedia || !window.AudioWorkletNode) {
      failed(
        "the browser gives this page no microphone",
        "browsers allow that only on the computer that runs wingtone: record with the phone's own recorder and bring the file",
      );
      return;
    }
    let stream;
    try {
      stream = await navigator.mediaDevices.getUserMedia({
        audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 },
      });
    } catch (error) {
      if (error.name === "NotAllowedError")
        failed("the microphone was not allowed", "allow it in the browser's address bar and try again");
      else failed("no microphone was found", "connect one, or bring a file");
      return;
    }
    const still = () => {
      for (const track of stream.getTracks()) track.stop();
    };
    if (left) return still(); // the question of the browser was answered after one had gone elsewhere
    const audio = new AudioContext();
    try {
      await audio.audioWorklet.addModule("/static/recorder_worklet.js");
    } catch {
      still();
      await audio.close();
      failed("the recorder could not be started", "reload the page and try again");
      return;
    }
    if (left) {
      still();
      await audio.close();
      return;
    }
    const source = audio.createMediaStreamSource(stream);
    const tap = new AudioWorkletNode(audio, "tap", { numberOfInputs: 1, numberOfOutputs: 0 });
    session = {
      stream,
      audio,
      blocks: [],
      samples: 0,
      clippedAt: -9,
      windAt: -9,
      begun: new Date(),
      said: "",
    };
    tap.port.onmessage = ({ data }) => session && heard(data);
    source.connect(tap);
    stream.getAudioTracks()[0].addEventListener("ended", () => finish(true)); // the microphone was pulled out
    processing.textContent = whatTheBrowserDid(stream.getAudioTracks()[0]);
    window.addEventListener("beforeunload", warn);
    live.hidden = false;
    panel.hidden = false;
    stop.focus();
    announce("recording");
  }

  function heard({ block, peak, power, rumble }) {
    const now = session.samples / session.audio.sampleRate;
    session.blocks.push(block);
    session.samples += block.length;
    const db = 20 * Math.log10(Math.max(peak, 1e-6));
    if (peak >= CLIPPED) session.clippedAt = now;
    if (10 * Math.log10(Math.max(power, 1e-12)) > QUIET_DB && rumble > RUMBLE_SHARE * power)
      session.windAt = now;
    show(now, Math.max(-60, Math.min(0, db)));
    if (now >= LONGEST_S) finish(true);
  }

  function show(now, db) {
    fill.style.transform = `scaleX(${(db + 60) / 60})`;
    time.textContent = clock(now, 0);
    let state = "good",
      text = "Good level.";
    if (now - session.clippedAt < HOLD_S)
      [state, text] = ["clipped", "Too loud: the sound is cut off at the top. Move back a little."];
    else if (now - session.windAt < HOLD_S)
      [state, text] = [
        "wind",
        "Wind or rumble fills the microphone. Turn your back to it. (A rough warning.)",
      ];
    else if (db < QUIET_DB) [state, text] = ["quiet", "Very quiet. Come closer, slowly."];
    meter.setAttribute("aria-valuenow", db.toFixed(0));
    meter.setAttribute("aria-valuetext", `${db.toFixed(0)} decibels, ${text}`);
    if (state === session.said) return;
    session.said = state;
    meter.dataset.state = state;
    word.textContent = text;
    if (state === "clipped" || state === "wind") announce(text);
  }

  const warn = (event) => event.preventDefault(); // the browser asks before a reload ends the recording

  async function finish(keep, { stay = false } = {}) {
    if (!session) return;
    const { stream, audio, blocks, samples, begun } = session;
    session = null;
    window.removeEventListener("beforeunload", warn);
    for (const track of stream.getTracks()) track.stop();
    const rate = audio.sampleRate;
    await audio.close();
    panel.hidden = live.hidden = true;
    button.disabled = false;
    if (!left) button.focus();
    if (!keep || !samples) return announce("thrown away");
    bring.files([new File([wav(blocks, samples, rate)], `${nameOf(begun)}.wav`, { type: "audio/wav" })], {
      stay,
    });
  }

  function leave() {
    left = true;
    return finish(true, { stay: true });
  }

  return { button, panel, leave };
}

function whatTheBrowserDid(track) {
  const told = track.getSettings();
  const on = [
    ["echoCancellation", "echo cancelling"],
    ["noiseSuppression", "noise suppression"],
    ["autoGainControl", "automatic level"],
  ]
    .filter(([name]) => told[name] === true)
    .map(([, words]) => words);
  return on.length
    ? `The browser leaves this on: ${on.join(", ")}. It may remove the hum: the phone's own recorder does better.`
    : "Voice processing is off, as it should be for bees.";
}

// The time in the name, as recorders write it: it is the only place where a WAV from a page says when it was made.
function nameOf(begun) {
  const two = (n) => String(n).padStart(2, "0");
  const day = [begun.getFullYear(), two(begun.getMonth() + 1), two(begun.getDate())].join("-");
  return `recorded ${day} ${[begun.getHours(), begun.getMinutes(), begun.getSeconds()].map(two).join(".")}`;
}

// RIFF/WAVE, PCM 16 bit, one channel: "Multimedia Programming Interface and Data Specifications 1.0" (1991), from memory.
export function wav(blocks, samples, rate) {
  const header = new DataView(new ArrayBuffer(44));
  const text = (at, letters) =>
    [...letters].forEach((letter, i) => header.setUint8(at + i, letter.charCodeAt(0)));
  text(0, "RIFF");
  header.setUint32(4, 36 + 2 * samples, true);
  text(8, "WAVEfmt ");
  header.setUint32(16, 16, true);
  header.setUint16(20, 1, true);
  header.setUint16(22, 1, true);
  header.setUint32(24, rate, true);
  header.setUint32(28, 2 * rate, true);
  header.setUint16(32, 2, true);
  header.setUint16(34, 16, true);
  text(36, "data");
  header.setUint32(40, 2 * samples, true);
  return new Blob([header, ...blocks], { type: "audio/wav" });
}

const shape = (tag, attributes) =>
  svg("svg", { viewBox: "0 0 20 20", "aria-hidden": "true" }, svg(tag, attributes));
const dot = () => shape("circle", { cx: 10, cy: 10, r: 7 });
const square = () => shape("rect", { x: 4, y: 4, width: 12, height: 12 });
