// Comfort for the repair bench; everything works without it.

// A choice in a list also chooses its line.
const other = document.getElementById("found-else");
for (const id of ["else", "part"]) {
  const list = document.getElementById(id);
  if (list && other) list.addEventListener("change", () => { if (list.value) other.checked = true; });
}

// Sent once: a second press while the first is on its way does nothing. The
// server keeps one repair in any case.
const form = document.getElementById("repair-form");
if (form) {
  let sent = false;
  form.addEventListener("submit", (e) => {
    if (sent) e.preventDefault();
    sent = true;
  });
  addEventListener("pageshow", () => { sent = false; });
}

// What a scanner reads while no field has the focus is a unit.
const scan = document.getElementById("scan");
addEventListener("keydown", (e) => {
  const at = document.activeElement;
  const free = !at || at === document.body || at.id === "main";
  if (scan && free && e.key.length === 1 && !e.ctrlKey && !e.metaKey && !e.altKey) {
    scan.value = "";
    scan.focus();
  }
});
if (scan && scan.value) scan.select();
