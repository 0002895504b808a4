// What it may be: the name to record on top, the candidates with their evidence, size, season, cautions.
//
// Every change of what was seen, and every correction of the bouts, asks the program again: one request under way,
// the latest wish next. Nothing here is reckoned by the page.

import { cautionList } from "./cautions.js";
import { bar, bitsWords, percent, seasonFigure, sizeFigure, weekOf, weight } from "./charts.js";
import { busily, el, sentence, steady, trouble } from "./dom.js";
import { latest } from "./latest.js";
import { Refusal } from "./wire.js";

const SHOWN = 6; // candidates in full; the rest are one press away
const LEAST = 0.01;
const OFFERED = 12; // names to choose from for a record

// Where a warning belongs, by its code. Those of size and season stand at their pictures, the rest below the name.
const AT_SIZE = ["no size", "tone says little", "no bee heard", "many bees", "tones differ", "tone does not fit"];
const AT_SEASON = ["no date", "date does not fit", "file time weak"];
const AT_PLACE = ["no place", "outside", "not known from here", "place not understood"];
const AT_BEES = ["several bees", "maybe several bees"];

export function mount(element, { wire, state, clip, seen, announce, form, kept: told = () => {} }) {
  const panel = el("section", { class: "paper answer", "aria-labelledby": "answer-title" });
  const title = el("h2", { id: "answer-title" }, "What it may be");
  const body = el("div", { class: "answer-body" });
  const fault = el("div", { class: "answer-fault" });
  panel.append(title, fault, body);
  element.append(panel);

  let answers = [];
  let chosen = 0;
  let asked = null;
  let first = true;
  let gone = false;
  const refused = new Map(); // individual -> why it was not kept when that was last wanted
  const opened = new Set(); // names unfolded, kept from answer to answer
  const kept = new Map(); // individual -> {number, cautions, already} of its record
  const wishes = new Map(); // individual -> the name and the caste chosen for its record
  let measured = null; // what `kept` was told for: after a correction another bee may have the number
  function learnKept() {
    if (measured === clip.value?.measurement) return;
    measured = clip.value?.measurement;
    kept.clear();
    refused.clear();
    if (answers.length > 1) wishes.clear();
    for (const [n, number] of Object.entries(clip.value?.records ?? {})) kept.set(Number(n), { number });
  }

  // What an answer depends on. Notes and names of observers do not change it.
  const question = () => {
    const { date, time, place, temperature_c, hints } = seen.value;
    return JSON.stringify({ date, time, place, temperature_c, hints, bouts: clip.value?.measurement?.bouts ?? null });
  };

  const asker = latest(async (draft) => {
    const path = clip.value ? `/api/clips/${encodeURIComponent(clip.value.id)}/answer` : "/api/answer";
    try {
      const { answers: got } = await wire.post(path, { seen: draft });
      if (gone) return;
      fault.replaceChildren();
      if (!clip.value) form.faults.set({}); // else the desk has checked the fields
      answers = got;
      chosen = Math.min(chosen, answers.length - 1);
      panel.dataset.answered = String(Number(panel.dataset.answered ?? 0) + 1);
      drawSoon();
    } catch (error) {
      if (gone) return;
      asked = null; // it still waits for its answer
      if (error.fields) form.faults.set({ ...form.faults.value, ...error.fields });
      fault.replaceChildren(
        error.fields
          ? el("p", { class: "soft small" }, "The answer below waits: something above needs another look.")
          : trouble(error),
      );
    }
  });

  function askAgain() {
    if (clip.value && clip.value.status !== "ready") return;
    learnKept();
    const now = question();
    if (now === asked) return;
    asked = now;
    asker.ask(seen.value);
  }

  // --- parts of an answer ------------------------------------------------------------------------------------

  const named = (answer, taxon) => answer.taxa.find((one) => one.taxon === taxon)?.vernacular;
  const latin = (taxon) => (taxon === "something else" ? null : el("i", { class: "latin" }, taxon));

  const warningsIn = (answer, codes) => cautionList(answer.warnings.filter(({ code }) => codes.includes(code)));

  function recordAs(answer) {
    const { taxon, rank, reason } = answer.record_as;
    const name = taxon ? named(answer, taxon) : null;
    const elsewhere = [...AT_SIZE, ...AT_SEASON, ...AT_PLACE, ...AT_BEES];
    return el(
      "div",
      { class: "record-as" },
      el("p", { class: "record-label" }, "Record as"),
      el("p", { class: "record-name" }, taxon ? [name ? `${name} ` : null, latin(taxon)] : "no name yet"),
      el(
        "p",
        {},
        rank === "species" || rank === "none"
          ? null
          : el("strong", {}, `${rank === "genus" ? "Only the genus" : "A group of lookalikes"}. `),
        sentence(reason),
      ),
      warningsIn(answer, AT_BEES),
      warningsIn(
        answer,
        answer.warnings.map(({ code }) => code).filter((code) => !elsewhere.includes(code)),
      ),
      keeping(answer),
    );
  }

  // Where the fauna does not reach there may be bumblebees that it does not know.
  const isOutside = (answer) => answer.warnings.some(({ code }) => code === "outside");
  const casteName = (answer, caste) =>
    caste === "not a bumblebee" && isOutside(answer) ? "no bumblebee of this fauna" : caste;

  function castes(answer) {
    const shown = answer.castes.filter(({ probability }) => probability >= 0.005);
    return el(
      "div",
      { class: "castes" },
      el("h3", {}, "Queen, worker, male"),
      el(
        "ul",
        { class: "bars" },
        shown.map(({ caste, probability }) =>
          el(
            "li",
            { class: "bar-row" },
            el("span", { class: "bar-name" }, casteName(answer, caste)),
            bar(probability),
            el("span", { class: "bar-number number" }, percent(probability)),
          ),
        ),
      ),
    );
  }

  const WHAT = { date: "the day", place: "the place", tone: "the tone", model: "the trained model" };

  function evidenceList(evidence) {
    return el(
      "ul",
      { class: "evidence" },
      evidence
        .toSorted((a, b) => Math.abs(b.weight_bits ?? 0) - Math.abs(a.weight_bits ?? 0))
        .map((piece) =>
          el(
            "li",
            {},
            el(
              "span",
              { class: "evidence-head" },
              el("span", { class: "evidence-what" }, WHAT[piece.kind] ?? piece.name.replaceAll("-", " ")),
              weight(piece.weight_bits ?? 0),
              el("span", { class: "evidence-bits number small" }, bitsWords(piece.weight_bits ?? 0)),
            ),
            el("span", { class: "evidence-words" }, sentence(piece.summary)),
          ),
        ),
    );
  }

  // The evidence of each likely name; `identify` itself only weighs the leading one.
  function why(answer, taxon, i) {
    const own = answer.pictures?.why?.find((one) => one.taxon === taxon)?.evidence;
    const evidence = own ?? (i > 0 ? null : answer.evidence);
    if (!evidence) return null;
    return evidence.length
      ? evidenceList(evidence)
      : el("p", { class: "soft" }, "Nothing was heard or seen yet: this is how common it is at any time.");
  }

  function candidate(answer, share, i) {
    const { taxon, vernacular, probability } = share;
    const own = answer.candidates.filter((one) => one.taxon === taxon && one.probability >= 0.005);
    const told = why(answer, taxon, i);
    const fold = el(
      "details",
      { class: "candidate", "data-taxon": taxon, open: opened.has(taxon) },
      el(
        "summary",
        {},
        el("span", { class: "candidate-name" }, vernacular, " ", latin(taxon)),
        bar(probability, "candidate-bar"),
        el("span", { class: "bar-number number" }, percent(probability)),
      ),
      el(
        "div",
        { class: "candidate-why" },
        own.length && own[0].caste !== "any" && own[0].caste !== "adult"
          ? el("p", {}, own.map(({ caste, probability: each }) => `${caste} ${percent(each)}`).join(" · "))
          : null,
        told ?? el("p", { class: "soft" }, "The weights below the leading name count against this one."),
      ),
    );
    return el("li", {}, fold);
  }

  function candidates(answer) {
    const likely = answer.taxa.filter(({ probability }, i) => i < SHOWN && (probability >= LEAST || i === 0));
    const rest = answer.taxa.slice(likely.length);
    const left = rest.reduce((sum, { probability }) => sum + probability, 0);
    const others = el(
      "details",
      { class: "others", "data-taxon": "", open: opened.has("") },
      el("summary", {}, `${rest.length} more names, together ${percent(left)}`),
      el(
        "ul",
        { class: "bars" },
        rest
          .filter(({ probability }) => probability >= 0.0005)
          .map(({ taxon, vernacular, probability }) =>
            el(
              "li",
              { class: "bar-row" },
              el("span", { class: "bar-name" }, vernacular, " ", latin(taxon)),
              bar(probability),
              el("span", { class: "bar-number number" }, percent(probability)),
            ),
          ),
      ),
    );
    const { level, taxa } = answer.credible_set;
    return el(
      "div",
      { class: "candidates" },
      el("h3", {}, "The candidates"),
      el(
        "p",
        { class: "soft small" },
        isOutside(answer)
          ? "By a fauna that does not reach there. Open one to see why."
          : `With ${percent(level)} it is ${taxa.length === 1 ? "the first" : `among the first ${taxa.length}`}. Open one to see why.`,
      ),
      warningsIn(answer, AT_PLACE),
      el(
        "ol",
        { class: "candidate-list" },
        likely.map((share, i) => candidate(answer, share, i)),
      ),
      rest.length ? others : null,
    );
  }

  function size(answer) {
    const drawn = answer.pictures?.size;
    return el(
      "div",
      { class: "size" },
      el("h3", {}, "How big it sounds"),
      drawn ? sizeFigure(drawn, sentence(answer.size.summary)) : el("p", {}, sentence(answer.size.summary)),
      warningsIn(answer, AT_SIZE),
    );
  }

  function season(answer) {
    const rows = (answer.pictures?.season ?? []).map(({ taxon, vernacular, weeks }) => ({
      name: [vernacular, " ", latin(taxon)],
      weeks,
    }));
    if (!rows.length) return null;
    const week = answer.pictures.week ?? weekOf(state.value.today);
    return el(
      "div",
      { class: "season" },
      el("h3", {}, "When they fly"),
      seasonFigure(rows, {
        week,
        mark: answer.pictures.week ? "This record" : "Today (no day was given)",
        caption: "How much of each flies in every week of the year, all castes together; its best week is full height.",
      }),
      warningsIn(answer, AT_SEASON),
    );
  }

  // --- keeping it ------------------------------------------------------------------------------------------------

  const CASTES = ["queen", "worker", "male", "cuckoo female", "not a bumblebee"];

  function keeping(answer) {
    const individual = answer.individual ?? 1;
    const said = el("div", { class: "kept", role: "status" });
    let again = kept.has(individual); // as the button says; another window may keep it before this one is drawn anew
    const keep = el(
      "button",
      { type: "button", class: "strong", "data-key": "keep" },
      again ? "Keep it once more" : "Keep in the notebook",
    );
    const wished = wishes.get(individual) ?? { taxon: "", caste: "" };
    const taxa = answer.taxa.filter(({ taxon }) => taxon !== "something else");
    const offered = taxa.filter(({ taxon }, i) => i < OFFERED || taxon === wished.taxon);
    const option = (value, words, chosen) => el("option", { value, selected: value === chosen }, words);
    const name = el(
      "select",
      { id: "keep-name" },
      el(
        "option",
        { value: "" },
        answer.record_as.taxon
          ? `as advised: ${named(answer, answer.record_as.taxon) ?? answer.record_as.taxon}`
          : "no name yet",
      ),
      offered.map(({ taxon, vernacular }) => option(taxon, `${vernacular} (${taxon})`, wished.taxon)),
    );
    const caste = el(
      "select",
      { id: "keep-caste" },
      el("option", { value: "" }, "as the answer has it"),
      CASTES.map((one) => option(one, one, wished.caste)),
    );
    for (const one of [name, caste])
      one.addEventListener("change", () => wishes.set(individual, { taxon: name.value, caste: caste.value }));
    const own = el(
      "details",
      { class: "keep-own", "data-taxon": "keep", open: opened.has("keep") },
      el("summary", {}, "I know better: choose the name"),
      el(
        "div",
        { class: "fields" },
        el("div", { class: "field" }, el("label", { for: "keep-name" }, "Name"), name),
        el("div", { class: "field" }, el("label", { for: "keep-caste" }, "Caste"), caste),
      ),
    );
    const show = () => {
      const error = refused.get(individual);
      if (error) {
        said.replaceChildren(trouble(error));
        return;
      }
      if (!kept.has(individual)) return;
      const { number, cautions = [], already } = kept.get(individual);
      const link = el("a", { href: `#notebook/${number}` }, `record ${number}`);
      said.replaceChildren(
        already
          ? el("p", {}, "It was kept before, as ", link, ", which stays as it was. Change that, or keep this once more.")
          : el("p", {}, "Kept as ", link, "."),
        cautionList(cautions) ?? "",
      );
    };
    const record = async () => {
      refused.delete(individual);
      try {
        if (!((await form.bouts()) && (await form.saved())))
          throw new Refusal(0, {
            what: "it was not kept: the desk does not hold all that stands here",
            remedy: "look at what is marked, or was not sent, and keep it then",
          });
        const decided = own.open && (name.value || caste.value);
        const wish = {
          individual,
          again,
          status: decided ? "decided" : "hint",
          ...(decided && name.value ? { taxon: name.value } : {}),
          ...(decided && caste.value ? { caste: caste.value } : {}),
        };
        const done = clip.value
          ? await wire.post(`/api/clips/${encodeURIComponent(clip.value.id)}/record`, wish)
          : await wire.post("/api/records", { seen: seen.value, ...wish });
        const { record, already, cautions } = done;
        kept.set(individual, { number: record.number, cautions, already });
        told();
        again = true;
        keep.textContent = "Keep it once more";
        if (said.isConnected) show();
        else draw(); // another answer has come meanwhile
        announce(`${already ? "It was kept before, as" : "Kept in the notebook as"} record ${record.number}`);
      } catch (error) {
        refused.set(individual, error);
        if (said.isConnected) show();
        else draw();
      }
    };
    keep.addEventListener("click", busily(keep, record));
    show();
    return el("div", { class: "keeping" }, el("div", { class: "row" }, keep), own, said);
  }

  // --- several bees ---------------------------------------------------------------------------------------------

  function tabs() {
    if (answers.length < 2) return null;
    const list = el("div", { class: "bee-tabs", role: "tablist", "aria-label": "Bees in this recording" });
    answers.forEach((answer, i) => {
      const flights = answer.bouts?.length;
      const tab = el(
        "button",
        {
          type: "button",
          role: "tab",
          id: `bee-${i}`,
          "data-key": `bee-${i}`,
          "aria-selected": String(i === chosen),
          "aria-controls": "bee-answer",
          tabindex: i === chosen ? "0" : "-1",
          on: {
            click: () => choose(i),
            keydown: (event) => {
              const to = { ArrowRight: i + 1, ArrowLeft: i - 1, Home: 0, End: answers.length - 1 }[event.key];
              if (to === undefined) return;
              event.preventDefault();
              choose((to + answers.length) % answers.length);
            },
          },
        },
        `Bee ${answer.individual ?? i + 1}`,
        flights ? el("span", { class: "small" }, ` ${flights} ${flights === 1 ? "flight" : "flights"}`) : null,
      );
      list.append(tab);
    });
    return list;
  }

  function choose(i) {
    chosen = i;
    draw();
    body.querySelector(`[data-key="bee-${i}"]`)?.focus();
  }

  // --- together -----------------------------------------------------------------------------------------------------

  function draw() {
    const answer = answers[chosen];
    // Asked here, not told by the folds: they tell a moment after they were turned, and may be gone by then.
    for (const { open, dataset } of body.querySelectorAll("details[data-taxon]"))
      open ? opened.add(dataset.taxon) : opened.delete(dataset.taxon);
    const focused = body.contains(document.activeElement) ? keyOf(document.activeElement) : null;
    const several = answers.length > 1;
    body.replaceChildren(
      ...[
        tabs(),
        el(
          "div",
          {
            class: "bee-answer",
            id: "bee-answer",
            role: several ? "tabpanel" : null,
            "aria-labelledby": several ? `bee-${chosen}` : null,
          },
          recordAs(answer),
          candidates(answer),
          castes(answer),
          size(answer),
          season(answer),
        ),
      ].filter(Boolean),
    );
    if (focused)
      [...body.querySelectorAll("button, summary, select, a")].find((one) => keyOf(one) === focused)?.focus();
    form.asking.set(answer.look_next);
    const best = answer.taxa[0];
    if (!first) announce(`Likeliest: ${best.vernacular}, ${percent(best.probability)}`);
    first = false;
  }

  const drawSoon = steady(body, () => gone || draw());

  const keyOf = (node) =>
    node.dataset.key ||
    node.id ||
    (node.tagName === "SUMMARY" ? `fold-${node.parentElement.dataset.taxon}` : node.getAttribute("href"));

  body.append(el("p", { class: "soft" }, "One moment."));
  const leaves = [seen.subscribe(askAgain), clip.subscribe(askAgain), state.subscribe(askAgain)];
  askAgain();
  return () => {
    gone = true;
    for (const leave of leaves) leave();
  };
}
