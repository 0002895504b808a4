// Light or dusk before anything is painted: what was chosen here, else what the device asks for.
// A plain script in the head, because a module would run after the first paint.
(() => {
  const device = window.matchMedia("(prefers-color-scheme: dark)");
  const chosen = () => {
    try {
      return localStorage.getItem("wingtone-theme");
    } catch {
      return null; // storage switched off: follow the device
    }
  };
  const apply = () => {
    document.documentElement.dataset.theme = chosen() ?? (device.matches ? "dark" : "light");
    document.dispatchEvent(new CustomEvent("wingtone-theme"));
  };
  window.wingtoneTheme = {
    get name() {
      return document.documentElement.dataset.theme;
    },
    toggle() {
      const name = this.name === "dark" ? "light" : "dark";
      try {
        localStorage.setItem("wingtone-theme", name);
        apply();
      } catch {
        document.documentElement.dataset.theme = name;
        document.dispatchEvent(new CustomEvent("wingtone-theme"));
      }
    },
  };
  device.addEventListener("change", apply);
  apply();
})();
