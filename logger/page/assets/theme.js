// Bright or dark, before anything is painted: as it was left here, or else as the device wants it.
// Not a module, because modules run only after the first paint.
(() => {
  const KEPT_AS = "lieboard.light";
  const device = window.matchMedia("(prefers-color-scheme: dark)");
  const root = document.documentElement;

  const kept = () => {
    try {
      return window.localStorage.getItem(KEPT_AS);
    } catch {
      // Storage may be forbidden; then the choice lasts as long as the page.
      return null;
    }
  };

  const put = (light) => {
    root.dataset.light = light;
    window.dispatchEvent(new CustomEvent("light"));
  };

  put(kept() ?? (device.matches ? "dark" : "bright"));
  device.addEventListener("change", () => {
    if (kept() === null) put(device.matches ? "dark" : "bright");
  });
  window.addEventListener("switch-light", () => {
    const light = root.dataset.light === "dark" ? "bright" : "dark";
    try {
      window.localStorage.setItem(KEPT_AS, light);
    } catch {
      // As above.
    }
    put(light);
  });
})();
