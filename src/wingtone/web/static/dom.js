// Building the page from parts. Text always goes in as text, so names and notes can never become markup.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "on") {
      for (const [event, heard] of Object.entries(value)) node.addEventListener(event, heard);
    } else if (value === true) {
      node.setAttribute(name, "");
    } else {
      node.setAttribute(name, value);
    }
  }
  node.append(
    ...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false),
  );
  return node;
}

// el("button", {class: "quiet", on: {click: play}}, "Play"): an element. null and false leave things out.
export function el(tag, attributes = {}, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

// The same for a drawing.
export function svg(tag, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

// What a button begins takes a while, and is not begun twice. It keeps the focus, which it would lose disabled.
export const busily = (button, work) => async () => {
  if (button.getAttribute("aria-disabled") === "true") return;
  button.setAttribute("aria-disabled", "true");
  try {
    await work();
  } finally {
    button.removeAttribute("aria-disabled");
  }
};

// A value that others can watch: subscribe(heard) calls at each change and gives back how to stop.
export function store(value) {
  const hearers = new Set();
  return {
    get value() {
      return value;
    },
    set(next) {
      value = next;
      for (const heard of [...hearers]) heard(value);
    },
    subscribe(heard) {
      hearers.add(heard);
      return () => hearers.delete(heard);
    },
  };
}

// Gives a way to draw `element` anew that waits while somebody is in the middle of something there: a button that is
// drawn anew between press and release is never clicked, a list that is open closes, and a number that is half typed
// would be gone.
export function steady(element, draw) {
  let pressed = false;
  let choosing = null; // the field in which somebody is
  let wanted = false;
  const ask = () => {
    wanted = pressed || Boolean(choosing?.isConnected);
    if (!wanted) draw();
  };
  const over = () => setTimeout(() => wanted && ask()); // the click comes before
  element.addEventListener("pointerdown", ({ button, target }) => {
    if (button !== 0 || !target.closest("button, summary, a, label")) return;
    pressed = true;
    const heard = new AbortController();
    const released = () => {
      heard.abort();
      pressed = false;
      over();
    };
    for (const event of ["pointerup", "pointercancel"])
      window.addEventListener(event, released, { capture: true, signal: heard.signal });
  });
  element.addEventListener("input", ({ target }) => target.type === "number" && (choosing = target));
  // No event tells that its list has closed again: it is waited until something is chosen, or one goes on.
  for (const event of ["pointerdown", "keydown"])
    element.addEventListener(event, ({ target, key }) => {
      if (target.matches("select") && key !== "Tab") choosing = target;
    });
  for (const event of ["change", "focusout"])
    element.addEventListener(
      event,
      ({ target }) => {
        if (target === choosing) choosing = null;
        over();
      },
      { capture: true },
    );
  return ask;
}

// Seconds as m:ss.s, or h:mm:ss for long ones; decimals by how finely one looks.
export function clock(seconds, decimals = 1) {
  const unit = 10 ** decimals;
  const whole = Math.round(Math.max(0, seconds) * unit) / unit;
  const h = Math.floor(whole / 3600);
  const m = Math.floor((whole % 3600) / 60);
  const s = (whole % 60).toFixed(decimals).padStart(decimals ? 3 + decimals : 2, "0");
  return h ? `${h}:${String(m).padStart(2, "0")}:${s}` : `${m}:${s}`;
}

// "1 flight", "3 flights".
export function count(n, one, many = `${one}s`) {
  return `${n} ${n === 1 ? one : many}`;
}

// What went wrong and what to do about it, as one alert.
export function trouble(error) {
  const what = error?.what ?? error?.message ?? "something went wrong";
  const told = [what, ...Object.values(error?.fields ?? {}), error?.remedy].filter(Boolean).map(sentence);
  const [first, ...more] = new Set(told); // the fault of a field is also what is wrong
  return el(
    "p",
    { class: "trouble", role: "alert" },
    el("strong", {}, first),
    more.length ? ` ${more.join(" ")}` : null,
  );
}

// A plain sentence from a phrase: first letter large, a full stop at the end. What is said of a file ("is a text
// file") gets the file as its subject.
export function sentence(text) {
  const trimmed = String(text)
    .trim()
    .replace(/^(?=(is|has|holds|cannot|ends) )/, "it ");
  if (!trimmed) return trimmed;
  const begun = trimmed.startsWith("wingtone") ? trimmed : trimmed[0].toUpperCase() + trimmed.slice(1);
  return begun + (/[.!?]$/.test(trimmed) ? "" : ".");
}
