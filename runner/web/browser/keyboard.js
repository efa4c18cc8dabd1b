// What can be reached by keyboard, each with a number, and whether the focus
// shows where it is. Defines window functions for the test.
(() => {
  const all = [...document.querySelectorAll("a[href], area[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex]")];
  const seen = (e) => e.getClientRects().length > 0 && getComputedStyle(e).visibility !== "hidden";
  const radios = new Set();
  globalThis.reachable = all.filter((e) => {
    if (e.disabled || e.tabIndex < 0 || !seen(e)) return false;
    if (e.type === "radio") { // the keys go to one of a group
      const key = (e.form ? [...document.forms].indexOf(e.form) : "") + e.name;
      if (e.form ? e.form.querySelector(`input[name="${CSS.escape(e.name)}"]:checked`) !== e && e.form.querySelector(`input[name="${CSS.escape(e.name)}"]:checked`) : false) return false;
      if (radios.has(key)) return false;
      radios.add(key);
    }
    return true;
  });
  globalThis.visited = new Set();
  globalThis.unshown = [];
  globalThis.here = () => {
    const e = document.activeElement;
    if (!e || e === document.body) return true;
    visited.add(e);
    const s = getComputedStyle(e);
    if (!(s.outlineStyle !== "none" && parseFloat(s.outlineWidth) > 0) && s.boxShadow === "none") unshown.push(e.outerHTML.slice(0, 120));
    return true;
  };
  globalThis.missed = () => reachable.filter((e) => !visited.has(e)).map((e) => e.outerHTML.slice(0, 120));
  return reachable.length;
})()
