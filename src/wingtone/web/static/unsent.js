// What the program could not be told: this window keeps it when one goes elsewhere in it, and through a reload, until the
// same recording is open again.

export function unsent(what, id) {
  const key = `wingtone-${what}-${id}`;
  return {
    get value() {
      return JSON.parse(sessionStorage.getItem(key) ?? "null");
    },
    set(value) {
      if (value === null) sessionStorage.removeItem(key);
      else sessionStorage.setItem(key, JSON.stringify(value));
    },
  };
}
