// The keys of the strip, as Help lists them.

import { KINDS, SHORTEST_S } from "./bouts.js";
import { between, round } from "./strip_numbers.js";

// What a pressed key does. `view` is what is looked at: look, span(), pan(s), zoom(factor), lookAt(from, to),
// reveal(bout), setAdding(on), heard().
export function keysOf({ bench, head, length, hear, announce, view }) {
  let begun_s = null; // where B was pressed first

  function chooseNext(by) {
    const list = bench.bouts.value;
    if (!list.length) return announce("no bouts");
    const at = bench.index(bench.chosen.value);
    const next = at < 0 ? (by > 0 ? 0 : list.length - 1) : between(0, at + by, list.length - 1);
    const bout = list[next];
    bench.choose(bout.key);
    view.reveal(bout);
    hear.moved(bout.start_s);
    announce(
      `bout ${next + 1} of ${list.length}, ${KINDS[bout.kind].word}, ${bout.start_s.toFixed(1)} to ${bout.end_s.toFixed(1)} seconds`,
    );
  }

  function goTo(t) {
    const at = between(0, t, length.value);
    hear.moved(at);
    if (at < view.look.from_s || at > view.look.to_s) view.pan(at - (view.look.from_s + view.look.to_s) / 2);
  }

  function markBout() {
    if (!view.heard()) return announce("bouts can be added as soon as the recording has been heard");
    if (begun_s === null) {
      begun_s = head.value;
      announce(`a bout begins at ${begun_s.toFixed(1)} seconds; press B again where it ends`);
      return;
    }
    const [from, to] = [Math.min(begun_s, head.value), Math.max(begun_s, head.value)];
    begun_s = null;
    if (to - from < SHORTEST_S) announce("too short for a bout");
    else bench.add(round(from), round(to));
    view.setAdding(false);
  }

  function moveEnd(name) {
    const bout = bench.find(bench.chosen.value);
    if (!bout) return;
    const moved = { ...bout, [name]: round(head.value) };
    if (moved.end_s - moved.start_s >= SHORTEST_S) bench.change(bout.key, { [name]: moved[name] });
    else announce("the end of a bout lies after its start");
  }

  const chosenIs = (kind) => bench.chosen.value !== null && bench.change(bench.chosen.value, { kind });
  const keys = {
    ArrowLeft: (event) => goTo(head.value - (event.shiftKey ? view.span() / 10 : view.span() / 100)),
    ArrowRight: (event) => goTo(head.value + (event.shiftKey ? view.span() / 10 : view.span() / 100)),
    PageUp: () => (view.pan(-view.span()), goTo(head.value - view.span())),
    PageDown: () => (view.pan(view.span()), goTo(head.value + view.span())),
    Home: () => goTo(0),
    End: () => goTo(length.value),
    "+": () => view.zoom(0.5),
    "=": () => view.zoom(0.5),
    "-": () => view.zoom(2),
    0: () => view.lookAt(0, length.value),
    " ": () => hear.toggle(),
    n: () => chooseNext(1),
    p: () => chooseNext(-1),
    b: markBout,
    "[": () => moveEnd("start_s"),
    "]": () => moveEnd("end_s"),
    1: () => chosenIs("flight"),
    2: () => chosenIs("sonication"),
    3: () => chosenIs("uncertain"),
    Delete: () => bench.drop(bench.chosen.value),
    Backspace: () => bench.drop(bench.chosen.value),
    Escape: () => ((begun_s = null), view.setAdding(false), bench.choose(null)),
  };
  return (event) => {
    if (event.altKey || ((event.ctrlKey || event.metaKey) && event.key !== "z")) return;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const does = event.ctrlKey || event.metaKey ? () => bench.undo() : keys[key];
    if (!does) return;
    event.preventDefault();
    does(event);
  };
}
