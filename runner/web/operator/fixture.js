// Works the simulated fixtures.
const told = document.getElementById("told");

async function work(body) {
  const r = await fetch("/api/fixture", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  if (r.headers.get("Content-Type") === "application/json") {
    const reply = await r.json();
    told.textContent = reply.ok ? told.dataset.done : reply.text;
  } else {
    told.textContent = await r.text();
  }
  show();
}

async function show() {
  const states = await (await fetch("/api/fixture")).json();
  for (const nest of document.querySelectorAll("[data-nest]")) {
    const s = states[nest.dataset.nest];
    nest.querySelector("[data-guard]").textContent = s.guard_open ? told.dataset.open : told.dataset.closed;
    nest.querySelector("[data-unit]").textContent = s.unit ? s.unit + (s.about ? " (" + s.about + ")" : "") : "–";
    nest.querySelector("[data-broken]").textContent = Object.entries(s.broken).map(([d, f]) => d + ": " + f).join(", ") || "–";
  }
}

for (const nest of document.querySelectorAll("[data-nest]")) {
  for (const b of nest.querySelectorAll("[data-do]")) {
    b.addEventListener("click", () => {
      const does = b.dataset.do;
      const fault = does === "mend" ? "" : nest.querySelector("[name=fault]").value;
      work({ do: does === "mend" ? "break" : does, nest: nest.dataset.nest, device: nest.querySelector("[name=device]").value, fault });
    });
  }
}
document.getElementById("give").addEventListener("submit", (e) => {
  e.preventDefault();
  const f = new FormData(e.target);
  work({ do: "give", nest: "", serial: f.get("serial"), defect: f.get("defect") });
});
show();
setInterval(show, 2000);
