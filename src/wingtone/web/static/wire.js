// Talking to the program behind the page. Only to it: every address starts with "/".

// What the program refused, with its plain words: what, remedy, where, and fields (a fault per field) if any.
export class Refusal extends Error {
  constructor(status, error = {}) {
    super(error.what ?? `the program answered with ${status}`);
    this.status = status;
    this.what = this.message;
    this.remedy = error.remedy ?? "";
    this.where = error.where ?? "";
    this.fields = error.fields ?? null;
  }
}

export const silence = () =>
  new Refusal(0, {
    what: "wingtone does not answer",
    remedy: "it may have been stopped: start it again with 'wingtone page', then reload this page",
  });

async function refusal(response) {
  let error;
  try {
    ({ error } = await response.json());
  } catch {
    error = {}; // not ours: the status alone has to do
  }
  return new Refusal(response.status, error);
}

// A request that outlives its page takes 64 KiB (Fetch standard, "HTTP-network-or-cache fetch"; from memory); a
// letter is three bytes at most.
const STAYS_ALIVE = 20_000;

let token = "";

async function request(method, path, { body, signal, keepalive } = {}) {
  const text = body === undefined ? undefined : JSON.stringify(body);
  const ask = async () => {
    const headers = {};
    if (method !== "GET") headers["X-Wingtone-Token"] = token;
    if (body !== undefined) headers["Content-Type"] = "application/json";
    try {
      return await fetch(path, { method, headers, signal, keepalive: keepalive && text.length < STAYS_ALIVE, body: text });
    } catch (error) {
      if (error.name === "AbortError") throw error;
      throw silence();
    }
  };
  const used = token;
  let response = await ask();
  // A program that was started anew has another token, which may not have been learnt yet.
  if (response.status === 403 && method !== "GET" && (await learnt(used))) response = await ask();
  if (!response.ok) throw await refusal(response);
  return response;
}

// Whether the program has another token by now.
async function learnt(used) {
  if (token === used) await state().catch(() => {});
  return token !== used;
}

async function json(method, path, options) {
  const response = await request(method, path, options);
  return response.status === 204 ? null : response.json();
}

// The state of everything; also learns the token that every change has to carry.
async function state() {
  const answer = await json("GET", "/api/state");
  token = answer.token;
  return answer;
}

// Send one file. `heard` gets the share sent, 0..1. Gives back a promise of the clip's brief; abort by signal.
function upload(file, name, { heard = () => {}, signal, id = "" } = {}) {
  return new Promise((resolve, reject) => {
    const ask = new XMLHttpRequest(); // fetch cannot tell how much has been sent
    ask.open("POST", "/api/clips");
    ask.responseType = "json";
    ask.setRequestHeader("X-Wingtone-Token", token);
    ask.setRequestHeader("X-File-Name", encodeURIComponent(name));
    ask.setRequestHeader("X-Upload", id);
    ask.setRequestHeader("Content-Type", "application/octet-stream");
    ask.upload.onprogress = (event) => event.lengthComputable && heard(event.loaded / event.total);
    ask.onload = () =>
      ask.status < 300 ? resolve(ask.response) : reject(new Refusal(ask.status, ask.response?.error));
    ask.onerror = () => reject(silence());
    ask.onabort = () => reject(new DOMException("stopped", "AbortError"));
    signal?.addEventListener("abort", () => ask.abort());
    ask.send(file);
  });
}

// Listen to what happens: {clip(brief), removed({id}), notebook(), open(), lost()}. `notebook` when a record was kept
// or changed. `open` each time that the line stands, at first and after a cut: what happened before it is not told any
// more. `lost` when the program refuses the line, as after it was started anew; the browser does not try again then.
// Gives back how to stop.
function events(hearers) {
  const source = new EventSource("/api/events");
  source.addEventListener("clip", (event) => hearers.clip(JSON.parse(event.data)));
  source.addEventListener("removed", (event) => hearers.removed(JSON.parse(event.data)));
  source.addEventListener("notebook", () => hearers.notebook());
  source.addEventListener("open", () => hearers.open());
  source.addEventListener("error", () => source.readyState === EventSource.CLOSED && hearers.lost());
  return () => source.close();
}

// Ask for a file and hand it to the browser to keep, under the name that the program gives it. Gives back that name,
// and how many records are in it and how many could not be.
async function download(path, body) {
  const response = await request("POST", path, { body });
  const header = response.headers.get("Content-Disposition") ?? "";
  const name = /filename\*=UTF-8''([^;]+)/i.exec(header)?.[1] ?? /filename="?([^";]+)"?/i.exec(header)?.[1];
  const address = URL.createObjectURL(await response.blob());
  const link = document.createElement("a");
  link.href = address;
  link.download = name ? decodeURIComponent(name) : "wingtone";
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 60_000); // the browser may still be writing it
  const told = (header) => Number(response.headers.get(header) ?? 0);
  return {
    name: link.download,
    records: told("X-Wingtone-Records"),
    leftOut: told("X-Wingtone-Left-Out"),
    slips: JSON.parse(response.headers.get("X-Wingtone-Slips") ?? '{"told": [], "more": 0}'),
  };
}

export const wire = {
  state,
  upload,
  events,
  download,
  get: (path, options) => json("GET", path, options),
  post: (path, body, options) => json("POST", path, { ...options, body }),
  put: (path, body, options) => json("PUT", path, { ...options, body }),
  patch: (path, body, options) => json("PATCH", path, { ...options, body }),
  remove: (path, options) => json("DELETE", path, options),
};
