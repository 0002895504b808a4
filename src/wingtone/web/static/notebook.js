// The notebook: what was kept, found again, drawn over the year, and handed on.

import { seasonFigure, weekWords } from "./charts.js";
import { busily, count, el, sentence, steady, trouble } from "./dom.js";
import { latest } from "./latest.js";
import { recordView } from "./record.js";
import { STATUS, dayWords, statusMark } from "./record_words.js";

const PAGE = 50;
const MOST = 1000; // rows that the program gives at once
const FORMATS = [
  ["darwin-core", "Darwin Core Archive", "what record centres and portals read"],
  ["csv", "CSV table", "for any spreadsheet"],
  ["geojson", "GeoJSON", "for maps"],
  ["bwf", "Bouts as Broadcast Wave", "the sounds themselves, cut out, with what is known written into each"],
  ["labels", "Labels for training", "for 'wingtone train': only what you decided or somebody confirmed"],
];

// What the list is filtered by stays while the page is open, so that one comes back to the same list.
const wanted = { text: "", taxon: "", since: "", until: "", status: "" };

export function mount(element, context) {
  return context.route.id ? recordView(element, context) : listView(element, context);
}

function listView(element, { wire, state, announce }) {
  let gone = false;
  const list = el("ol", { class: "ruled records" });
  const total = el("p", { class: "soft records-total", role: "status" });
  const fault = el("div", {});
  const more = el("button", { type: "button", hidden: true }, "Show more");
  const season = el("div", {});
  let shown = [];

  const query = (filters, extra = {}) =>
    new URLSearchParams(
      [...Object.entries(filters), ...Object.entries(extra)].filter(([, value]) => value !== ""),
    ).toString();

  // --- the list ------------------------------------------------------------------------------------------------

  const line = (row) =>
    el(
      "li",
      { class: "record-line" },
      el("span", { class: "record-day number" }, dayWords(row.first_day, row.last_day)),
      el(
        "a",
        { class: "record-link", href: `#notebook/${row.number}` },
        row.vernacular || (row.taxon ? el("i", {}, row.taxon) : `record ${row.number}, no name yet`),
        row.caste ? `, ${row.caste}` : null,
      ),
      el("span", { class: "record-where" }, row.place || "no place"),
      el("span", { class: "record-tone number" }, row.f0_hz ? `${Math.round(row.f0_hz)} Hz` : "seen only"),
      statusMark(row.status, "short"),
    );

  const drawRows = steady(list, () => {
    const held = list.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    list.replaceChildren(...shown.map(line));
    if (held) list.querySelector(`[href="${CSS.escape(held)}"]`)?.focus({ preventScroll: true });
  });

  function draw(rows, all) {
    shown = rows;
    drawRows();
    more.hidden = rows.length >= all;
    const filtered = Object.values(wanted).some(Boolean);
    total.textContent = all
      ? `${count(all, "record")}${filtered ? " that fit" : ""}`
      : filtered
        ? "No record fits."
        : "Nothing is kept yet. Open a recording on the desk, and keep its answer.";
  }

  let listed = null; // the mark of the notebook that stands here
  const finder = latest(async ({ limit, ...filters }) => {
    const { mark } = state.value.notebook;
    try {
      const [{ records, total: all }, { taxa, left_out }] = await Promise.all([
        wire.get(`/api/records?${query(filters, { limit: String(limit) })}`),
        wire.get(`/api/records/season?${query(filters)}`),
      ]);
      if (gone) return;
      fault.replaceChildren();
      markFaults({});
      draw(records, all);
      drawSeason(taxa, left_out);
      listed = mark;
    } catch (error) {
      if (gone) return;
      listed = null;
      markFaults(error.fields ?? {});
      fault.replaceChildren(error.fields ? "" : trouble(error));
    }
  });

  const find = (limit = PAGE) => finder.ask({ ...wanted, limit });

  more.addEventListener("click", async () => {
    const before = shown;
    try {
      const { records, total: all } = await wire.get(
        `/api/records?${query(wanted, { limit: String(PAGE), after: String(shown.at(-1).number) })}`,
      );
      if (shown !== before) return; // another list stands there now
      draw([...shown, ...records], all);
      list.children[before.length]?.querySelector("a").focus();
    } catch (error) {
      fault.replaceChildren(trouble(error));
    }
  });

  // --- filters -----------------------------------------------------------------------------------------------------

  const filters = {
    text: el("input", { type: "search", id: "find-text", autocomplete: "off" }),
    taxon: el("input", { type: "search", id: "find-taxon", autocomplete: "off", placeholder: "Bombus hortorum" }),
    since: el("input", { type: "date", id: "find-since" }),
    until: el("input", { type: "date", id: "find-until" }),
    status: el(
      "select",
      { id: "find-status" },
      el("option", { value: "" }, "any"),
      Object.entries(STATUS).map(([status, { words }]) => el("option", { value: status }, words)),
    ),
  };
  const labels = { text: "Words", taxon: "Scientific name", since: "From", until: "To", status: "The name is" };
  const faultLines = {};
  const field = (name) => {
    faultLines[name] = el("span", { class: "fault small", id: `find-${name}-fault` });
    filters[name].setAttribute("aria-describedby", `find-${name}-fault`);
    return el(
      "div",
      { class: "field" },
      el("label", { for: `find-${name}` }, labels[name]),
      filters[name],
      faultLines[name],
    );
  };
  for (const [name, input] of Object.entries(filters)) {
    input.value = wanted[name];
    input.addEventListener("input", () => {
      wanted[name] = input.value.trim();
      find();
    });
  }
  const markFaults = (faults) => {
    for (const [name, place] of Object.entries(faultLines)) {
      place.textContent = faults[name] ? sentence(faults[name]) : "";
      if (faults[name]) filters[name].setAttribute("aria-invalid", "true");
      else filters[name].removeAttribute("aria-invalid");
    }
  };
  const all = el(
    "button",
    {
      type: "button",
      class: "quiet",
      on: {
        click: () => {
          for (const [name, input] of Object.entries(filters)) input.value = wanted[name] = "";
          find();
          filters.text.focus();
        },
      },
    },
    "Show all",
  );

  // --- season ---------------------------------------------------------------------------------------------------------

  function drawSeason(taxa, leftOut) {
    if (!taxa.length) {
      season.replaceChildren(el("p", { class: "soft" }, "As soon as a record has a day, it is drawn here."));
      return;
    }
    const rows = taxa.map(({ taxon, vernacular, weeks }) => {
      const n = weeks.reduce((sum, value) => sum + value, 0);
      const on = weeks.flatMap((value, week) => (value ? [week + 1] : []));
      const span = on.length > 1 ? `${weekWords(on[0])} to ${weekWords(on.at(-1))}` : weekWords(on[0]);
      return {
        name: vernacular ? [vernacular, " ", el("i", { class: "latin" }, taxon)] : taxon || "no name yet",
        weeks,
        words: `${count(n, "record")}, ${span}`,
      };
    });
    season.replaceChildren(
      seasonFigure(rows, {
        common: true,
        caption: "Records in every week of the year, all years together; all bars on one scale.",
      }),
      leftOut ? el("p", { class: "soft small" }, `${count(leftOut, "record")} without a sure day left out.`) : "",
    );
  }

  // --- handing on ----------------------------------------------------------------------------------------------------------

  const blur = el(
    "select",
    { id: "hand-blur" },
    [
      ["", "as exactly as I know it"],
      ["1", "as a square of 1 km"],
      ["2", "as a square of 2 km"],
      ["10", "as a square of 10 km"],
      ["none", "not at all"],
    ].map(([value, words]) => el("option", { value }, words)),
  );
  const handed = el("div", { role: "status" });
  const button = el("button", { type: "submit", class: "strong" }, "Hand on");
  const form = el(
    "form",
    { class: "hand-on" },
    el(
      "fieldset",
      {},
      el("legend", {}, "As what"),
      FORMATS.map(([value, name, words], i) =>
        el(
          "label",
          { class: "format" },
          el("input", { type: "radio", name: "format", value, checked: i === 0 }),
          el("span", {}, name, el("span", { class: "soft small" }, words)),
        ),
      ),
    ),
    el("div", { class: "field" }, el("label", { for: "hand-blur" }, "Give the place"), blur),
    el(
      "p",
      { class: "soft small" },
      "What you wrote in the notes goes out as it stands, and a sound may hold voices: look through it first. The filters of the list count here too; rejected records stay at home unless you choose them.",
    ),
    button,
    handed,
  );
  // What looks like a slip in what was handed on, each with its record, where it can be mended.
  function slipList({ told, more }) {
    if (!told.length) return [];
    const items = told.map(({ number, text }) =>
      el("li", {}, el("a", { href: `#notebook/${number}` }, `Record ${number}`), `: ${text}.`),
    );
    if (more) items.push(el("li", {}, `${more} more such notes are not shown: mend these, and hand on again.`));
    return [
      el("p", {}, "Look at these before you send it:"),
      el("ul", { class: "cautions" }, items),
    ];
  }

  const hand = busily(button, async () => {
    handed.replaceChildren(el("p", {}, "One moment: the file is being made."));
    const given = Object.fromEntries(Object.entries(wanted).filter(([, value]) => value));
    try {
      const { name, records, leftOut, slips } = await wire.download("/api/export", {
        format: new FormData(form).get("format"),
        filters: given,
        blur_km: ["1", "2", "10"].includes(blur.value) ? Number(blur.value) : null,
        withhold_place: blur.value === "none",
      });
      const left = leftOut ? `; ${count(leftOut, "record")} could not be in it` : "";
      const words = `Made: ${name}, with ${count(records, "record")}${left}.`;
      announce(`${name} was made`);
      handed.replaceChildren(
        el("p", {}, `${words} The browser has it among its downloads.`),
        ...slipList(slips),
      );
    } catch (error) {
      handed.replaceChildren(trouble(error));
    }
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    hand();
  });

  // --- together ---------------------------------------------------------------------------------------------------------------

  element.append(
    el("h1", {}, "Notebook"),
    el(
      "div",
      { class: "notebook-columns" },
      el(
        "section",
        { class: "paper", "aria-labelledby": "records-title" },
        el("h2", { id: "records-title" }, "Records"),
        el(
          "form",
          {
            class: "fields find",
            role: "search",
            "aria-label": "Find records",
            on: { submit: (event) => event.preventDefault() },
          },
          Object.keys(filters).map(field),
          el("div", { class: "field find-all" }, all),
        ),
        fault,
        total,
        list,
        more,
      ),
      el(
        "div",
        { class: "room" },
        el(
          "section",
          { class: "paper", "aria-labelledby": "season-title" },
          el("h2", { id: "season-title" }, "The year"),
          season,
        ),
        el(
          "section",
          { class: "paper", "aria-labelledby": "hand-title" },
          el("h2", { id: "hand-title" }, "Hand on"),
          form,
        ),
      ),
    ),
  );
  find();
  // What was kept or changed in another window, or by the commands, comes into the list.
  const stop = state.subscribe(() => {
    if (state.value.notebook.mark !== listed) find(Math.min(MOST, Math.max(PAGE, shown.length)));
  });
  return () => {
    gone = true;
    stop();
  };
}
