// What is wrong with the layout of the page that is shown. Returns lines.
(() => {
  const wrong = [];
  const W = document.documentElement.clientWidth, H = innerHeight;
  const operator = document.body.classList.contains("op-body");
  if (document.documentElement.scrollWidth > W + 1) wrong.push(`scrolls sideways: ${document.documentElement.scrollWidth} in ${W} px`);
  if (operator && document.documentElement.scrollHeight > H + 1) wrong.push(`scrolls: ${document.documentElement.scrollHeight} in ${H} px`);
  const name = (e) => {
    const words = (e.textContent || "").trim().replace(/\s+/g, " ").slice(0, 60);
    return e.tagName.toLowerCase() + (e.id ? "#" + e.id : "") + (e.classList.length ? "." + [...e.classList].join(".") : "") + ` "${words}"`;
  };
  const unseen = (e) => {
    for (let a = e; a; a = a.parentElement) {
      const s = getComputedStyle(a);
      if (s.visibility === "hidden" || s.display === "none" || s.opacity === "0" || (s.clipPath !== "none" && s.position === "absolute") || a.matches(".skip:not(:focus)")) return true;
    }
    return false;
  };
  const boxes = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n = walker.nextNode(); n; n = walker.nextNode()) {
    if (!n.data.trim()) continue;
    const e = n.parentElement;
    if (!e.getClientRects().length || !e.checkVisibility() || e.closest("script, style, title, desc, select, datalist") || unseen(e)) continue;
    const range = document.createRange();
    range.selectNodeContents(n);
    for (const r of range.getClientRects()) {
      if (r.width < 1 || r.height < 1) continue;
      let kept = true;
      for (let a = e; a && a !== document.body; a = a.parentElement) {
        const s = getComputedStyle(a);
        const b = a.getBoundingClientRect();
        const clipsX = /hidden|clip/.test(s.overflowX), clipsY = /hidden|clip/.test(s.overflowY);
        if (/auto|scroll/.test(s.overflowX + s.overflowY)) { kept = false; break; } // can be scrolled to
        if (a.tagName === "svg" && a.ownerSVGElement === null || clipsX || clipsY) {
          const half = Math.min(4, r.height * .2); // a line box is higher than its letters
          if ((clipsX || a.tagName === "svg") && (r.right > b.right + 2 || r.left < b.left - 2) || (clipsY || a.tagName === "svg") && (r.bottom > b.bottom + half || r.top < b.top - half)) {
            wrong.push(`clipped: ${name(e)} in ${name(a).slice(0, 40)}`);
            kept = false;
            break;
          }
        }
      }
      if (!kept) continue;
      if (r.right > W + 1 || r.left < -1) wrong.push(`beside the screen: ${name(e)}`);
      if (operator && (r.bottom > H + 2 || r.top < -2)) wrong.push(`off the screen: ${name(e)}`);
      boxes.push([e, r]);
    }
  }
  // No text on another.
  const over = (e) => e.closest("dialog, .op-warn, .op-lost, .op-flag");
  boxes.sort((a, b) => a[1].top - b[1].top);
  for (let i = 0; i < boxes.length; i++) {
    for (let j = i + 1; j < boxes.length && boxes[j][1].top < boxes[i][1].bottom; j++) {
      const [e, a] = boxes[i], [f, b] = boxes[j];
      const x = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const y = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (x <= 3 || y <= .35 * Math.min(a.height, b.height)) continue;
      if (e === f || e.contains(f) || f.contains(e) || over(e) !== over(f)) continue;
      wrong.push(`${name(e)} lies on ${name(f)}`);
    }
  }
  return [...new Set(wrong)].slice(0, 12);
})()
