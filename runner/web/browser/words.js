// The sentences of the page, for comparing languages: what is said in a
// language that is not the page's own, or is meant for no reader, is left out.
(() => {
  const own = document.documentElement.lang;
  const out = [];
  const add = (e, text) => {
    text = text.trim().replace(/\s+/g, " ");
    if (!text || e.closest("[translate=no], script, style, code, kbd")) return;
    const l = e.closest("[lang]");
    if (l && l.lang !== own) return;
    out.push(text);
  };
  const walker = document.createTreeWalker(document.documentElement, NodeFilter.SHOW_TEXT);
  for (let n = walker.nextNode(); n; n = walker.nextNode()) add(n.parentElement, n.data);
  for (const e of document.querySelectorAll("[title], [aria-label], [alt], [placeholder]")) {
    for (const a of ["title", "aria-label", "alt", "placeholder"]) if (e.hasAttribute(a)) add(e, e.getAttribute(a));
  }
  for (const e of document.querySelectorAll("*")) for (const a of e.attributes) if (a.name.startsWith("data-") && a.name !== "data-key") add(e, a.value);
  return [...new Set(out)];
})()
