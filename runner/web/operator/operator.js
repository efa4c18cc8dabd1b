// The operator's page. What is shown is what the server says, and nothing is
// kept here but what was typed, which nest is looked at, and the sound.

const $ = (id) => document.getElementById(id);
const op = $("op");
const say = op.dataset;
const many = say.many === "true";

let station = null; // what belongs to no nest
const nests = new Map(); // by name, in the server's order
let focus = ""; // the nest that is shown
let chosen = sessionStorage.getItem("fullthrow-nest") || ""; // where scans go; "" the first free one
let pace = 1;
let offset = 0; // ms, the server's clock minus this one
let boot = "";
let typed = "";
let typedAt = 0;

// --- Words and shapes --------------------------------------------------------

function text(id, value) {
  const e = $(id);
  const s = value || "";
  if (e.textContent !== s) e.textContent = s;
}
const show = (id, on) => { $(id).hidden = !on; };
const fill = (words, values) => words.replace(/\{([a-z_]+)\}/g, (all, name) => (name in values ? values[name] : all));
const sign = (id, shape) => $(id).setAttribute("href", "#shape-" + shape);

// key is a key cap with a word behind it.
function keyed(button, key, word) {
  button.replaceChildren();
  if (key) {
    const k = document.createElement("kbd");
    k.textContent = key;
    button.append(k, " ");
  }
  const s = document.createElement("span");
  s.textContent = word;
  button.append(s);
}

// --- Commands ----------------------------------------------------------------

function newID() {
  const b = crypto.getRandomValues(new Uint8Array(12));
  return Array.from(b, (x) => x.toString(16).padStart(2, "0")).join("");
}

// send gives a command. One that does not reach the server is sent again, with
// the same id, so that it is done once.
async function send(path, body) {
  for (let again = 0; ; again++) {
    try {
      const r = await fetch("/api/" + path, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), credentials: "same-origin",
      });
      if (r.headers.get("Content-Type") !== "application/json") return { ok: false, code: "http-" + r.status, text: "" };
      return await r.json();
    } catch {
      if (again === 5) return { ok: false, code: "lost", text: "" };
      await new Promise((done) => setTimeout(done, 300 * 2 ** again));
    }
  }
}

// told shows the answer to a command where the state does not say it anyhow.
let word = null;
function told(reply) {
  if (!reply.ok && reply.text) {
    word = { text: reply.text, until: Date.now() + 6000 };
    cue("refused");
    render();
  }
  return reply;
}

// Scans go to the station one after another, in the order they were made, also
// where one has to be sent again. One that could not be sent within 5 s is let
// go: by then another unit may lie in the nest.
let scans = Promise.resolve();

function scan(code) {
  const at = Date.now();
  const to = chosen;
  scans = scans.then(async () => {
    if (Date.now() - at > 5000) return cue("refused");
    const reply = await send("scan", { id: newID(), text: code, nest: to });
    if (reply.nest) look(reply.nest);
    if (!reply.ok) cue("refused");
  });
}

// --- What a key means now -------------------------------------------------------

// asking is the question that waits for an answer, the station's own first.
function asking() {
  if (station && station.question) {
    const q = station.question;
    return {
      id: "q" + q.id, kind: "decide", text: q.text, more: q.detail,
      choices: [{ value: true, text: q.yes }, { value: false, text: q.no }],
      answer: (yes) => send("decide", { question: q.id, yes }).then(told),
    };
  }
  const n = nests.get(focus);
  if (!n || !n.prompt) return null;
  const p = n.prompt;
  return {
    id: n.run + p.id, kind: p.kind, text: p.text, about: n.doing, how: p.how, unit: p.unit, picture: p.picture, choices: p.choices || [],
    answer: (value) => send("answer", { nest: n.nest, run: n.run, prompt: p.id, value }).then(told),
  };
}

// settled says that what Enter would confirm has been on the screen long enough
// to be meant: a scanner's second line end or a glove's second press is not.
// Until then the answers are pale.
let shownID = "";
let shownAt = 0;
let settleTimer = 0;
const settled = () => performance.now() - shownAt > 500;

function changed(id) {
  if (id === shownID) return;
  shownID = id;
  shownAt = performance.now();
  op.dataset.settled = "false";
  clearTimeout(settleTimer);
  settleTimer = setTimeout(() => { op.dataset.settled = "true"; }, 510);
}

function confirm() {
  const q = asking();
  const n = nests.get(focus);
  if (!settled()) return;
  if (q) {
    if (q.kind === "decide" || q.kind === "confirm") q.answer(true);
    return;
  }
  if (n && n.hold) return void send("start", { nest: n.nest, serial: n.hold.serial }).then(told);
  if (station && station.notice) return void send("acknowledge", { notice: station.notice.id });
  if (n && n.phase === "done") return void send("acknowledge", { nest: n.nest, run: n.run });
}

let digitTimer = 0;
function digit(d) {
  const q = asking();
  if (!q || !settled()) return;
  const c = q.choices[d - 1];
  if (c) q.answer(c.value);
}

// Twice within two seconds stops a run. What counts is when the keys were
// pressed, not when a busy computer came to them.
let escapeAt = -Infinity; // when it was pressed
let escapeSeen = -Infinity; // when the page came to it
function escape(e) {
  if (typed) { typed = ""; return render(); }
  const q = asking();
  if (q && q.kind === "decide") return void q.answer(false);
  const n = nests.get(focus);
  if (n && (n.phase === "running" || n.hold)) {
    if (e.timeStamp - escapeAt < 2000) {
      escapeAt = escapeSeen = -Infinity;
      stop(n);
    } else {
      escapeAt = e.timeStamp;
      escapeSeen = performance.now();
      setTimeout(render, 2100);
    }
    return render();
  }
  if (station && station.notice) send("acknowledge", { notice: station.notice.id });
}

const stop = (n) => send("abort", { nest: n.nest, run: n.run || "", serial: n.hold ? n.hold.serial : "" }).then(told);

function enter() {
  const code = typed;
  typed = "";
  const q = asking();
  if (q && (q.kind === "number" || q.kind === "text") && !(q.kind === "number" && fast && !/^\s*-?[0-9.,]+\s*$/.test(code))) {
    if (code.trim()) q.answer(code);
  } else {
    scan(code);
  }
  render();
}

// --- Keys: a scanner types quickly and ends with Enter -------------------------

let fast = false; // what was typed came as a scanner types
let lastKey = 0;

function onKey(e) {
  if (document.querySelector("dialog[open]")) return;
  const gap = e.timeStamp - lastKey;
  if (e.ctrlKey && e.key === "]") { // GS between the fields of a label
    e.preventDefault();
    typed += "\u001d";
    return;
  }
  if (e.ctrlKey || e.altKey || e.metaKey || e.isComposing) return;
  const nest = document.querySelector(`[data-key="${CSS.escape(e.key)}"]`);
  if (nest && /^F[1-4]$/.test(e.key)) { e.preventDefault(); return choose(nest.dataset.nest); }
  switch (e.key) {
    case "F8": e.preventDefault(); return who();
    case "F9": e.preventDefault(); return speak();
    case "F10": e.preventDefault(); return sound(!sounding);
    case "Escape": e.preventDefault(); return escape(e);
    case "Enter":
      if (digitTimer) { clearTimeout(digitTimer); digitTimer = 0; const d = typed; typed = ""; e.preventDefault(); digit(Number(d)); return render(); }
      if (typed) { e.preventDefault(); return enter(); }
      if (onButton()) return;
      e.preventDefault();
      if (!e.repeat) confirm();
      return;
    case "Backspace":
      e.preventDefault();
      typed = typed.slice(0, -1);
      return render();
    case " ":
      if (!typed) {
        if (onButton()) return;
        e.preventDefault();
        const q = asking();
        if (!e.repeat && !(q && q.kind === "text")) confirm();
        return;
      }
  }
  if ([...e.key].length !== 1) return;
  e.preventDefault();
  if (typed && e.timeStamp - typedAt > 5000) typed = ""; // left over from before
  fast = typed === "" ? true : fast && gap < 80;
  lastKey = typedAt = e.timeStamp;
  if (digitTimer) { clearTimeout(digitTimer); digitTimer = 0; }
  const q = asking();
  if (!typed && q && q.choices.length && /^[1-9]$/.test(e.key)) {
    // The first character of a scan may be a digit: wait for a second one.
    typed = e.key;
    digitTimer = setTimeout(() => { digitTimer = 0; const d = typed; typed = ""; digit(Number(d)); render(); }, 150);
    return;
  }
  if (typed.length < 300) typed += e.key;
  render();
}

// onButton says that the keyboard has moved to a button, which then takes Enter
// and Space itself.
const onButton = () => document.activeElement && document.activeElement.matches("button:focus-visible, a:focus-visible, summary:focus-visible");

document.addEventListener("keydown", onKey);
// After a touch the focus goes back to the page, so that a scanner's Enter
// presses nothing.
document.addEventListener("pointerup", () => setTimeout(() => {
  if (!document.querySelector("dialog[open]") && document.activeElement) document.activeElement.blur();
}, 0));

// --- Choosing -------------------------------------------------------------------

function look(name) {
  if (nests.has(name)) { focus = name; render(); }
}

function choose(name) {
  chosen = chosen === name && focus === name ? "" : name;
  sessionStorage.setItem("fullthrow-nest", chosen);
  look(name);
}

for (const b of document.querySelectorAll("[data-nest]")) b.addEventListener("click", () => choose(b.dataset.nest));
$("stop").addEventListener("click", escape);
$("notice-seen").addEventListener("click", () => station && station.notice && send("acknowledge", { notice: station.notice.id }));
$("hold-start").addEventListener("click", confirm);
$("hold-drop").addEventListener("click", escape);

function who() { $("who-dialog").showModal(); $("who-name").focus(); }
function speak() { $("speak-dialog").showModal(); }
$("who").addEventListener("click", who);
$("speak").addEventListener("click", speak);
for (const b of document.querySelectorAll("[data-close]")) b.addEventListener("click", () => b.closest("dialog").close());

async function become(name) {
  const reply = await send("operator", { name });
  if (!reply.ok) return text("who-error", reply.text || reply.code);
  location.reload();
}
$("who-form").addEventListener("submit", (e) => { e.preventDefault(); become($("who-name").value); });
for (const b of document.querySelectorAll("[data-name]")) b.addEventListener("click", () => become(b.dataset.name));
for (const b of document.querySelectorAll("button[data-language]")) {
  b.addEventListener("click", async () => { if ((await send("language", { language: b.dataset.language })).ok) location.reload(); });
}

// --- Sound ------------------------------------------------------------------------

let sounding = localStorage.getItem("fullthrow-sound") !== "off";
let audio = null;

function sound(on) {
  sounding = on;
  localStorage.setItem("fullthrow-sound", on ? "on" : "off");
  if (on) cue("started");
  render();
}
$("sound").addEventListener("click", () => sound(!sounding));

// Each cue is notes of [Hz, start in s, length in s, wave]: passed rises, failed
// is low and double, attention calls three times.
const cues = {
  started: [[660, 0, .07, "sine"]],
  refused: [[220, 0, .12, "square"]],
  passed: [[659, 0, .13, "sine"], [988, .14, .26, "sine"]],
  failed: [[196, 0, .22, "sawtooth"], [196, .3, .32, "sawtooth"]],
  attention: [[523, 0, .12, "triangle"], [523, .2, .12, "triangle"], [523, .4, .2, "triangle"]],
};

function cue(name) {
  document.documentElement.dataset.cue = name;
  if (!sounding) return;
  try {
    audio ||= new AudioContext();
    if (audio.state === "suspended") audio.resume();
    for (const [hz, at, length, wave] of cues[name]) {
      const o = audio.createOscillator();
      const g = audio.createGain();
      const t = audio.currentTime + at;
      o.type = wave;
      o.frequency.value = hz;
      g.gain.setValueAtTime(0, t);
      g.gain.linearRampToValueAtTime(.25, t + .01);
      g.gain.setValueAtTime(.25, t + length - .03);
      g.gain.linearRampToValueAtTime(0, t + length);
      o.connect(g).connect(audio.destination);
      o.start(t);
      o.stop(t + length);
    }
  } catch { /* no sound here: everything is on the screen as well */ }
}

// --- The stream -------------------------------------------------------------------

let source = null;
let lostTimer = 0;
let lostAt = 0; // when the connection went, by this clock; 0 while it is there

function follow() {
  source = new EventSource("/events");
  source.onopen = () => { clearTimeout(lostTimer); lostTimer = lostAt = 0; show("lost", false); };
  source.onerror = () => {
    lostAt ||= Date.now();
    lostTimer ||= setTimeout(() => show("lost", true), 1500);
    if (source.readyState === EventSource.CLOSED) { source.close(); setTimeout(follow, 1500); }
  };
  source.addEventListener("state", (e) => {
    const s = JSON.parse(e.data);
    boot = s.boot;
    pace = s.pace;
    offset = s.now - Date.now();
    station = s.station;
    nests.clear();
    for (const n of s.nests) nests.set(n.nest, n);
    if (!nests.has(focus)) focus = nests.has(chosen) ? chosen : busiest();
    if (s.followed && !s.nests.some((n) => n.run === s.followed.run)) word = { text: fill(say.followed, { text: s.followed.text }), until: Date.now() + 15000 };
    op.dataset.boot = boot;
    render();
  });
  source.addEventListener("station", (e) => {
    const before = station;
    station = JSON.parse(e.data);
    if (station.question && !(before && before.question)) cue("attention");
    render();
  });
  source.addEventListener("nest", (e) => take(JSON.parse(e.data)));
  source.addEventListener("event", (e) => {
    const ev = JSON.parse(e.data);
    count(ev);
    const n = nests.get(ev.nest);
    if (n && ev.reading && n.run === ev.run) {
      n.reading = [ev.reading.name, ev.reading.value].join("  ");
      if (ev.nest === focus) text("reading", n.reading);
    }
  });
}

// count keeps what was seen of the run, for tests: none may be missing.
function count(ev) { op.dataset.seq = ev.run + "/" + ev.seq; }

function busiest() {
  for (const n of nests.values()) if (n.phase !== "free") return n.nest;
  return nests.keys().next().value || "";
}

// take brings a nest up to date, with the sound that belongs to the change.
function take(n) {
  const before = nests.get(n.nest) || {};
  nests.set(n.nest, n);
  if (n.event) count(n.event);
  const at = nests.get(focus);
  if (n.prompt && !(before.prompt && before.prompt.id === n.prompt.id)) {
    cue("attention");
    if (!at || !at.prompt) focus = n.nest;
  }
  if (n.hold && !before.hold) {
    if (!n.end) cue("attention");
    if (!at || (at.phase !== "running" && !at.prompt)) focus = n.nest;
  }
  if (n.end && !before.end) {
    cue({ passed: "passed", failed: "failed" }[n.end.kind] || "attention");
    if (!at || (at.phase !== "running" && !at.prompt)) focus = n.nest;
  }
  if (n.phase === "running" && before.phase !== "running") {
    cue("started");
    if (!at || at.phase === "free") focus = n.nest;
  }
  render();
}

// --- Rendering --------------------------------------------------------------------

const partClass = { todo: "is-waiting", unseen: "is-waiting", now: "is-running", kept: "is-good", broken: "is-bad", doubt: "is-bad", fault: "is-unknown", noted: "" };
const partClasses = ["is-waiting", "is-running", "is-good", "is-bad", "is-unknown"];
const endShape = { passed: "pass", failed: "fail", bench: "error", aborted: "aborted", cut: "aborted", guard: "aborted" };

const drawing = document.querySelector(".op-svg > svg");
const parts = new Map();
if (drawing) for (const g of drawing.querySelectorAll("[id^=part-]")) parts.set(g.id.slice(5), g);

function paint(n) {
  if (!drawing) return;
  for (const [name, g] of parts) {
    const c = n && n.phase !== "free" ? partClass[n.parts[name]] || "" : "";
    if (g.dataset.is === c) continue;
    g.dataset.is = c;
    g.classList.remove(...partClasses);
    if (c) g.classList.add(c);
  }
  const broken = n && n.end && n.end.kind === "failed" ? n.end.broken || [] : [];
  for (const a of drawing.querySelectorAll("[id^=axis-]")) {
    a.classList.toggle("is-bad", broken.some((r) => r.split(".")[1].startsWith(a.id.slice(5) + "_")));
  }
  let at = "";
  let words = "";
  let kind = "";
  if (n && n.end && n.end.kind === "failed" && n.end.part) {
    at = n.end.part;
    words = n.end.where;
    kind = "bad";
  } else if (n && n.phase === "running" && !n.end) {
    const c = n.checks.find((c) => c.state === "now");
    if (c && c.part) { at = c.part; kind = "running"; words = titleOf(c.part); }
  }
  drawing.classList.toggle("is-pointing", kind === "bad");
  point(at, words, kind);
}

const titleOf = (part) => {
  const g = parts.get(part);
  const t = g && g.querySelector(":scope > title");
  return t ? t.textContent : part;
};

// point puts the flag beside a part, on the side that has room.
function point(part, words, kind) {
  const flag = $("flag");
  const g = parts.get(part);
  flag.hidden = !g || !words;
  if (!g || !words) return;
  const box = drawing.viewBox.baseVal;
  const x = (Number(g.dataset.x) - box.x) / box.width * 100;
  const y = (Number(g.dataset.y) - box.y) / box.height * 100;
  flag.dataset.side = g.dataset.side;
  flag.dataset.kind = kind;
  flag.style.setProperty("--x", x + "%");
  flag.style.setProperty("--y", y + "%");
  text("flag", words);
}

function list(id, items, make) {
  const e = $(id);
  const key = JSON.stringify(items);
  if (e.dataset.key === key) return;
  e.dataset.key = key;
  e.replaceChildren(...items.map(make));
}

function element(tag, className, words) {
  const e = document.createElement(tag);
  if (className) e.className = className;
  if (words !== undefined) e.textContent = words;
  return e;
}

function render() {
  if (!station) return;
  const n = nests.get(focus);
  const q = asking();
  const ended = n && n.end;
  const bench = ended && (n.end.kind === "bench" || n.end.kind === "guard" || n.end.unsafe);
  op.dataset.phase = n ? n.phase : "";
  op.dataset.unsafe = String(Boolean(ended && n.end.unsafe));
  op.dataset.end = ended ? n.end.kind : "";
  op.dataset.ask = q ? q.kind : "";

  // The nests.
  for (const b of document.querySelectorAll("[data-nest]")) {
    const m = nests.get(b.dataset.nest);
    if (!m) continue;
    b.setAttribute("aria-pressed", String(chosen === m.nest));
    b.classList.toggle("is-shown", focus === m.nest);
    const state = m.out ? "out" : m.hold ? "held" : m.prompt ? "held" : m.phase === "running" ? "running" : m.end ? "end" : "free";
    b.dataset.state = state === "end" ? m.end.kind : state;
    const words = state === "end" ? m.end.short : state === "running" ? `${m.done}/${m.checks.length}` : say[state];
    const e = b.querySelector(".op-nest-state");
    if (e.textContent !== words) e.textContent = words;
  }
  text("scan-to", many ? (chosen ? fill(say.fixed, { nest: chosen }) : say.auto) : "");

  // What is wrong with the bench has a place of its own, across the page.
  const out = n && n.out && !ended ? n.out : "";
  const guard = n && n.hold && n.hold.why === "guard";
  show("band", Boolean(bench || out || guard));
  show("band-more", Boolean(bench && n.end.detail));
  op.dataset.bench = bench || out || guard ? "true" : "false";
  if (bench) {
    text("band-title", n.end.unsafe || n.end.title);
    text("band-text", [n.end.not_safe, n.end.text, n.end.bench].filter(Boolean).join(" "));
    text("band-detail", n.end.detail || "");
  } else if (out) {
    text("band-title", out);
    text("band-text", "");
    text("band-detail", "");
  } else if (guard) {
    text("band-title", n.hold.text);
    text("band-text", n.hold.detail);
    text("band-detail", "");
  }

  // The unit.
  text("serial", n && (n.phase === "held" && !ended ? n.hold.serial : n.serial) || "");
  text("about", n ? n.about : "");
  tick();

  // The words.
  const first = q ? "ask" : ended ? "end" : n && n.hold ? "hold" : n && n.phase === "running" ? (n.doing || n.done > 0 || n.closing ? "run" : "start") : "idle";
  for (const id of ["idle", "start", "run", "ask", "end", "hold"]) show(id, id === first || (id === "hold" && first === "end" && Boolean(n.hold)));
  $("end").classList.toggle("is-short", Boolean(n && n.hold));
  if (first === "run") {
    const now = n.checks.findIndex((c) => c.state === "now");
    text("step", fill(say.step, { number: (now < 0 ? n.done : now + 1), count: n.checks.length }));
    if (n.doing) text("doing", n.doing);
    text("reading", n.reading);
    show("closing", Boolean(n.closing));
  }
  if (q) ask(q);
  if (n && n.hold) {
    const said = n.hold.why === "guard"; // across the page
    text("hold-text", said ? n.hold.detail : n.hold.text);
    text("hold-detail", said ? "" : n.hold.detail);
  }
  if (ended) end(n);
  paint(n);
  list("checks", n ? n.checks.map((c) => [c.about, c.word, c.state]) : [], ([about, words, state]) => {
    const li = element("li", "", about + ": " + words);
    li.dataset.state = state;
    return li;
  });

  // What was typed, the queue, the day.
  text("scan-text", q && (q.kind === "number" || q.kind === "text") ? "" : typed.replace(/\u001d/g, "·"));
  $("scan").dataset.empty = String(!typed);
  show("queue", station.queue.length > 0);
  list("queue-list", station.queue, (u) => {
    const li = element("li");
    const b = element("button", "op-waiting", u.serial);
    b.type = "button";
    b.title = fill(say.drop, { serial: u.serial });
    b.addEventListener("click", () => send("abort", { nest: "", run: "", serial: u.serial }));
    li.append(b);
    return li;
  });
  show("today", station.today.known);
  text("today-units", station.today.known ? station.today.units : "");
  if (station.today.known && !station.today.yield) text("today-units", say.none);
  show("today-share", Boolean(station.today.yield));
  text("today-yield", station.today.yield);
  text("today-range", station.today.range);

  if (word && Date.now() > word.until) word = null;
  const notice = word ? { level: "refused", text: word.text, detail: "" } : station.notice;
  show("notice", Boolean(notice) && !typed);
  if (notice) {
    $("notice").dataset.level = notice.level;
    sign("notice-sign", notice.level === "done" ? "pass" : "doubt");
    text("notice-text", notice.text);
    text("notice-detail", notice.detail);
    show("notice-seen", !word);
  }
  show("escape", performance.now() - escapeSeen < 2000);
  show("stopping", station.stopping);
  const s = $("sound");
  s.setAttribute("aria-pressed", String(sounding));
  s.querySelector("span").textContent = sounding ? say.sound : say.silent;

  // What Enter would do, in the order of confirm.
  changed(q ? q.id : n && n.hold ? "h" + n.nest + n.hold.serial + n.hold.why : station.notice ? "n" + station.notice.id : n ? n.phase + n.run : "");
  fitAll(); // last: what is below takes room, too
}

// fit makes the words of a panel smaller until all of them are on the screen.
function fit(panel) {
  if (panel.hidden) return;
  const key = [panel.clientWidth, panel.clientHeight, panel.className, panel.textContent].join();
  if (panel.dataset.fitted === key) return;
  for (const size of [1, .93, .87, .8, .74, .68, .62, .56, .5]) {
    panel.style.setProperty("--fit", size);
    if (panel.scrollHeight <= panel.clientHeight + 1) break;
  }
  panel.dataset.fitted = [panel.clientWidth, panel.clientHeight, panel.className, panel.textContent].join();
}

function fitAll() { for (const panel of document.querySelectorAll(".op-panel")) fit(panel); }
addEventListener("resize", fitAll);
$("ask-picture").addEventListener("load", fitAll);

function ask(q) {
  text("ask-about", q.about);
  text("ask-text", q.text);
  text("ask-more", q.more);
  text("ask-how", q.how || "");
  const picture = $("ask-picture");
  picture.hidden = !q.picture;
  if (q.picture && picture.getAttribute("src") !== q.picture) picture.src = q.picture;
  const writes = q.kind === "number" || q.kind === "text";
  show("ask-typed", writes);
  if (writes) text("ask-typed", (typed || " ") + (q.unit && q.unit !== "1" ? " " + q.unit : ""));
  list("ask-choices", q.choices.map((c, i) => [q.id, i + 1, c.text]), ([, number, words]) => {
    const b = element("button", "op-choice");
    b.type = "button";
    keyed(b, number <= 9 ? String(number) : "", words);
    b.addEventListener("click", () => { if (settled()) digitNow(number); });
    return b;
  });
}

function digitNow(number) {
  const q = asking();
  if (q && q.choices[number - 1]) q.answer(q.choices[number - 1].value);
}

function end(n) {
  const e = n.end;
  const said = e.kind === "bench" || e.kind === "guard" || Boolean(e.unsafe); // across the page
  sign("end-sign", said ? "none" : endShape[e.kind]);
  text("end-title", said ? say.untested : e.title);
  text("end-where", e.kind === "failed" ? e.where : "");
  text("end-text", said ? e.unknown : [e.text, e.unknown].filter(Boolean).join(" "));
  show("end-should", e.kind === "failed" && Boolean(e.text));
  text("end-bench", said ? "" : e.bench || "");
  text("end-next", e.next);
  $("end").dataset.kind = e.kind;
  $("end-next").dataset.step = e.step;
  list("end-causes", (e.causes || []).slice(0, 2).map((c, i) => ({ ...c, first: i === 0 })), (c) => {
    const p = element("div", "op-cause");
    p.append(element("p", "op-label", (c.first ? say.cause : say.or) + (c.likely ? " · " + c.likely : "")));
    p.append(element("p", "op-cause-text", c.text));
    if (c.inspect) p.append(element("p", "op-inspect", say.inspect + ": " + c.inspect));
    return p;
  });
  const rows = (e.readings || []).map((r) => [r.name, r.value, r.limit || ""]);
  if (e.more) rows.push(["", "", e.more]);
  list("end-readings", rows, (r) => {
    const li = element("li");
    li.append(element("b", "", r[1]), " ", element("span", "", r[2]), " ", element("small", "", r[0]));
    return li;
  });
}

// tick brings the time up to date.
function tick() {
  const n = nests.get(focus);
  let s = null;
  if (n && n.end) s = n.took ?? null; // none where no run was begun
  else if (n && n.phase === "running" && n.begun) s = Math.max(0, ((lostAt || Date.now()) + offset - n.begun) / 1000 * pace);
  const planned = n ? n.cycle_time : 0;
  text("seconds", s === null ? "" : String(Math.floor(s)));
  const over = s !== null && planned > 0 && s > planned + 1;
  text("planned", s === null ? "" : over ? fill(say.late, { over: Math.floor(s - planned), cycle_time: planned }) : planned > 0 ? fill(say.planned, { cycle_time: planned }) : "");
  op.dataset.over = String(over);
  $("bar").style.setProperty("--part", s === null ? "0%" : Math.min(100, planned > 0 ? s / planned * 100 : 0).toFixed(1) + "%");
}

setInterval(() => {
  tick();
  if (typed && performance.now() - typedAt > 10000 && !asking()) { typed = ""; render(); }
  if (word && Date.now() > word.until) render();
}, 200);

follow();
