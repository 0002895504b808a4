// Help: what makes or breaks an answer, what the answer means, the keys of the strip, and who sees what.

import { el } from "./dom.js";

const RECORD = [
  [
    "Come close, slowly: within arm's length.",
    "Stand beside a flower that is being visited and let the bee come to you.",
  ],
  [
    "Catch the moment between two flowers.",
    "The flight is what is measured. The buzz at a flower is higher and says nothing about size.",
  ],
  ["Keep the wind off.", "Turn your back to it, and keep fingers and sleeves off the microphone."],
  ["Turn off voice enhancement and noise suppression.", "They are made to remove exactly such hums."],
  [
    "Speak after the bee has gone.",
    "Then say the day, the place, the tail, the collar and the face into the same recording.",
  ],
  ["Bring the file itself.", "Messengers shrink the sound and drop the date and the place."],
];

const MEANS = [
  ["The tone", "is the wingbeat frequency. A big bee beats its wings slowly and hums low, a small one high."],
  ["The size", "is that of the thorax between the wing bases, always as a range."],
  ["The percentages", 'are probabilities under one stated model. "Not a bumblebee" always keeps a share.'],
  [
    '"Record as"',
    "is what a careful recorder would write down. Some bees cannot be told apart in the field.",
  ],
  [
    "It is a hint, not a proof.",
    "Have rare or surprising finds confirmed by a competent recorder, with a photograph.",
  ],
];

const KEYS = [
  ["← →", "move the place where playing begins"],
  ["+ −", "look closer, or at more"],
  ["Page up, Page down", "a view back, or on"],
  ["Home, End", "to the beginning, or the end"],
  ["0", "the whole recording"],
  ["Space", "play, or pause"],
  ["N, P", "choose the next bout, or the one before"],
  ["B", "begin a new bout here; B again ends it"],
  ["[ ]", "move the start, or the end, of the chosen bout to here"],
  ["1, 2, 3", "the chosen bout is flight, flower buzz, unsure"],
  ["Delete", "drop the chosen bout"],
  ["Ctrl+Z", "undo the last change of the bouts"],
];

const CARE = [
  [
    "Stings.",
    "Bumblebees sting when pressed or at the nest, and some people react badly. Trouble with breathing or faintness after a sting is an emergency.",
  ],
  ["Nests", "are not to be opened, dug up or blocked. Watch from a few metres, for a short time."],
  [
    "Voices and places.",
    "A recording may hold what people said, and where it was made. Nothing leaves this computer unless you hand it on; exports can blur or withhold the place.",
  ],
];

const told = (list) =>
  el(
    "dl",
    { class: "told" },
    list.map(([what, why]) => el("div", {}, el("dt", {}, what), el("dd", {}, why))),
  );

export function mount(room, { state }) {
  const { version, fauna } = state.value;
  const part = (id, title, content) =>
    el("section", { class: "paper", "aria-labelledby": id }, el("h2", { id }, title), content);
  room.append(
    el("h1", {}, "Help"),
    el(
      "div",
      { class: "help-columns" },
      part("help-record", "How to record", told(RECORD)),
      part("help-means", "What the answer means", told(MEANS)),
      part(
        "help-keys",
        "Keys on the strip",
        el(
          "dl",
          { class: "keys" },
          KEYS.map(([keys, what]) =>
            el(
              "div",
              {},
              el(
                "dt",
                {},
                keys.split(/, /).map((key, i) => [i ? ", " : "", el("kbd", {}, key)]),
              ),
              el("dd", {}, what),
            ),
          ),
        ),
      ),
      part("help-care", "Take care", told(CARE)),
    ),
    el("p", { class: "soft small" }, `wingtone ${version}, with what is known of: ${fauna?.title ?? ""}`),
  );
}
