// What can be reached by keyboard, and whether the focus shows where it is.
// Returns how many keys it may take; then visited, missed() and unshown stand.
(() => {
  const all = [...document.querySelectorAll("a[href], area[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex]")];
  const seen = (e) => e.getClientRects().length > 0 && e.checkVisibility() && getComputedStyle(e).visibility !== "hidden";
  const groups = new Set();
  const reachable = all.filter((e) => {
    if (e.disabled || e.tabIndex < 0 || !seen(e)) return false;
    if (e.type !== "radio") return true;
    // The keys go to one of a group: the one that is chosen, else the first.
    const group = [...(e.form || document).querySelectorAll(`input[name="${CSS.escape(e.name)}"]`)];
    const checked = group.find((r) => r.checked);
    if (checked ? checked !== e : groups.has(e.name)) return false;
    groups.add(e.name);
    return true;
  });
  // What may change where the focus is: the element's own look or that of what
  // it holds, as in a chart.
  const look = (e) => [e, ...[...e.querySelectorAll("*")].slice(0, 8)].map((x) => {
    const s = getComputedStyle(x);
    return [s.outlineStyle, s.outlineWidth, s.boxShadow, s.stroke, s.strokeWidth, s.fill, s.opacity, s.backgroundColor, s.color, s.borderColor, s.display].join();
  }).join(";");
  const before = new Map(reachable.map((e) => [e, look(e)]));
  globalThis.visited = new Set();
  globalThis.unshown = [];
  globalThis.missed = () => reachable.filter((e) => !visited.has(e)).map((e) => e.outerHTML.slice(0, 120));
  const note = (e) => {
    if (visited.has(e)) return;
    visited.add(e);
    if (before.has(e) && look(e) === before.get(e)) unshown.push(e.outerHTML.slice(0, 120));
  };
  document.addEventListener("focusin", (e) => note(e.target));
  if (document.activeElement !== document.body) document.activeElement.blur();
  let keys = 4;
  for (const e of reachable) keys += e.type === "date" ? 4 : e.tagName === "AUDIO" ? 6 : 1;
  return keys;
})()
