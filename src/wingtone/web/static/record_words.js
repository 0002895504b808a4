// A record in words: its fields, what its name rests on, days, and what a version changed.

import { el } from "./dom.js";

export const STATUS = {
  hint: { sign: "○", short: "hint", words: "a hint of the program" },
  decided: { sign: "◐", short: "decided", words: "decided by the recorder" },
  confirmed: { sign: "●", short: "confirmed", words: "confirmed by another" },
  rejected: { sign: "✕", short: "wrong", words: "found to be wrong" },
};
export const CASTES = ["queen", "worker", "male", "cuckoo female", "female", "not a bumblebee"];
export const ACTIONS = {
  added: "Kept",
  imported: "Brought in",
  amended: "Changed",
  removed: "Removed",
  restored: "Brought back",
};

export const statusMark = (status, length = "words") =>
  el(
    "span",
    { class: `status status-${status in STATUS ? status : "other"}` },
    el("span", { "aria-hidden": "true" }, STATUS[status]?.sign ?? "·"),
    " ",
    STATUS[status]?.[length] ?? status,
  );

// "20 March 2026" of an ISO day; a span of days as two.
export function dayWords(first, last = first) {
  if (!first) return "no day";
  const whole = (day) =>
    new Date(`${day}T00:00:00Z`).toLocaleDateString("en-GB", {
      day: "numeric",
      month: "short",
      year: "numeric",
      timeZone: "UTC",
    });
  return last && last !== first ? `${whole(first)} to ${whole(last)}` : whole(first);
}

// When as people say it: an event date is a day, a day with a time, a month, a year or a span of them.
function whenWords(event) {
  const day = /^(\d{4}-\d{2}-\d{2})(?:T(\d{2}:\d{2}))?[^/]*$/.exec(event ?? "");
  return day ? `${dayWords(day[1])}${day[2] ? `, ${day[2]}${zoneWords(event)}` : ""}` : event || "";
}

// The zone of a time, where it tells one: " UTC", " UTC+01:00". Phones write UTC into their files.
export function zoneWords(event) {
  const zone = /T.*?(Z|[+-]\d{2}:?\d{2})$/.exec(event)?.[1];
  return zone ? ` UTC${/^Z|^[+-]00:?00$/.test(zone) ? "" : zone}` : "";
}

export const LABELS = {
  event_date: "When",
  place: "Where",
  recorder: "Seen by",
  taxon: "Name",
  caste: "Caste",
  status: "The name is",
  identified_by: "Named by",
  temperature_c: "Air, °C",
  notes: "Notes",
  hints: "What was seen",
  rank: "Rank",
  vernacular: "Plain name",
  sex: "Sex",
  tone: "Tone",
  recording: "Recording",
  answer: "Answer",
  made_with: "Made with",
  photographs: "Photographs",
  other: "Other",
};

// A field as text, for reading and for the history.
export function asText(name, value) {
  if (value === null || value === undefined || value === "") return "";
  if (name === "event_date") return whenWords(value);
  if (name === "place") return value.text || value.grid_reference || `${value.latitude_deg}, ${value.longitude_deg}`;
  if (name === "status") return STATUS[value]?.words ?? value;
  if (name === "hints")
    return Object.entries(value)
      .map(([character, state]) => `${character} ${state}`)
      .join(", ");
  if (name === "tone") return `${value.f0_hz.toFixed(1)} Hz`;
  if (name === "recording") return value.path;
  if (name === "answer") return "a new answer";
  if (name === "photographs") return value.join(", ");
  if (typeof value === "object") return Object.values(value).join(", ");
  return String(value);
}

// What one version changed against the one before: [name, was, is].
export function changesOf(before, after) {
  return Object.keys(LABELS)
    .filter((name) => JSON.stringify(before[name] ?? null) !== JSON.stringify(after[name] ?? null))
    .map((name) => [name, asText(name, before[name]), asText(name, after[name])]);
}
