"use strict";
// Keeps the page up to date and sends its forms without leaving it. The page works without this script, but stands still.
const $ = id => document.getElementById(id);
const text = (id, s) => { const e = $(id); if (e.textContent !== s) e.textContent = s; };
const show = (id, on) => { $(id).hidden = !on; };
const first = s => s.slice(0, 1).toUpperCase() + s.slice(1);

let state = null;
let spoken = 0;                                     // when the meters last told screen readers their values
const held = { in: [-200, 0], out: [-200, 0] };     // true peak of late, and when

function level(db) { return db <= -120 ? "silent" : db.toFixed(1).replace("-", "\u2212"); }

function bar(id, part, value, tell) {
  const e = $(id);
  e.querySelector(".fill").style.transform = "scaleX(" + Math.max(0, Math.min(1, part)) + ")";
  if (tell) e.setAttribute("aria-valuenow", value.toFixed(0));
}

function mark(id, db, now) {
  const h = held[id];
  if (db >= h[0] || now - h[1] > 2000) { h[0] = db; h[1] = now; }
  const part = Math.max(0, Math.min(1, 1 + h[0] / 60));
  $(id).querySelector(".mark").style.transform = "translateX(" + (part - 1) * 100 + "%)";
}

function meters(m) {
  const now = performance.now();
  const secret = state && state.trial;
  const tell = secret || now - spoken > 1000;
  if (tell) spoken = now;
  bar("in", 1 + m.in_db / 60, Math.max(-60, m.in_db), tell);
  mark("in", m.in_true_db, now);
  text("in-db", level(m.in_db));
  text("in-hold", level(m.in_hold_db));
  bar("out", secret ? 0 : 1 + m.out_db / 60, secret ? -60 : Math.max(-60, m.out_db), tell);
  mark("out", secret ? -200 : m.out_true_db, secret ? now + 1e6 : now);
  text("out-db", secret ? "hidden" : level(m.out_db));
  text("out-hold", secret ? "hidden" : level(m.out_hold_db));
  bar("guard", secret ? 0 : m.guard_db / 12, secret ? 0 : m.guard_db, tell);
  text("guard-db", secret ? "hidden" : m.guard_db.toFixed(1));
  text("figures", m.figures);
}

// Empties the meters: the last frame of an engine that is gone must not look live.
function empty() {
  text("now", "No engine");
  document.title = "No engine";
  for (const id of ["in", "out", "guard"]) bar(id, 0, id === "guard" ? 0 : -60, true);
  for (const id of ["in", "out"]) {
    held[id] = [-200, 0];
    $(id).querySelector(".mark").style.transform = "translateX(-100%)";
    text(id + "-hold", "\u2013");
  }
  for (const id of ["in-db", "out-db", "guard-db"]) text(id, "\u2013");
  text("figures", "");
}

function list(problems) {
  const ul = $("problems").querySelector("ul");
  ul.replaceChildren(...problems.map(p => { const li = document.createElement("li"); li.textContent = p; return li; }));
  show("problems", problems.length > 0);
}

function apply(s) {
  const other = state === null ? $("bench").querySelector("[data-version]").dataset.version !== s.bench : state.bench !== s.bench;
  state = s;
  text("state", s.state);
  $("state").dataset.state = s.state;
  text("lost", s.lost);
  show("lost", s.lost !== "");
  show("start", s.start);
  list(s.problems);
  show("hidden", s.trial);
  text("heard", first(s.heard));
  text("summary", s.summary);
  const b = $("bypass");
  b.setAttribute("aria-pressed", s.bypass);
  rest();
  show("mode", s.bypass && s.lost === "");
  $("live").toggleAttribute("data-lost", s.lost !== "");
  if (s.lost) { empty(); return; }
  text("out-name", s.output || "Output");
  text("now", s.cushion);
  document.title = s.cushion + " fitted";
  if (other && s.bench) bench();
}

// The switches rest while there is nothing to switch.
function rest() {
  const still = !state.running || state.trial || state.lost !== "";
  $("bypass").disabled = still;
  for (const b of document.querySelectorAll("[data-cushion]")) {
    const fitted = b.dataset.cushion === state.cushion;   // it can have the focus, for it may be the one just pressed
    b.disabled = still && !fitted;
    b.toggleAttribute("aria-disabled", fitted);
    if (fitted) b.setAttribute("aria-disabled", "true");
  }
}

// Takes the lower part of the page anew: another cushion, or an edited bench. Open details and the focus stay.
let asking = 0;
async function bench() {
  const mine = ++asking;
  const r = await fetch("bench");
  if (!r.ok || mine !== asking) return;
  const html = await r.text();
  if (mine !== asking) return;
  const old = $("bench");
  const key = d => d.querySelector("summary").textContent;
  const open = new Set([...old.querySelectorAll("details[open]")].map(key));
  const f = document.activeElement && document.activeElement.dataset ? document.activeElement.dataset.cushion : undefined;
  old.innerHTML = html;
  for (const d of old.querySelectorAll("details")) d.open = open.has(key(d));
  rest();
  if (f !== undefined) {
    const b = [...old.querySelectorAll("[data-cushion]")].find(e => e.dataset.cushion === f);
    (b && !b.disabled ? b : $("now")).focus();
  }
}

document.addEventListener("submit", async ev => {
  ev.preventDefault();
  if (ev.submitter && ev.submitter.hasAttribute("aria-disabled")) return;
  const form = ev.target;
  try {
    const r = await fetch(form.action, { method: "POST", headers: { "X-Page-Script": "1" }, body: new URLSearchParams(new FormData(form)) });
    const said = r.ok ? "" : await r.text();
    text("said", said);
    show("said", said !== "");
  } catch {
    text("said", "The page's server does not answer. Start \u201ccushwright page\u201d again.");
    show("said", true);
  }
});

const live = new EventSource("live");
live.addEventListener("meters", e => meters(JSON.parse(e.data)));
live.addEventListener("state", e => apply(JSON.parse(e.data)));
live.addEventListener("error", () => {
  if (state !== null) { state.lost = "gone"; rest(); }
  show("mode", false);
  show("start", false);
  $("live").toggleAttribute("data-lost", true);
  text("state", "lost");
  $("state").dataset.state = "lost";
  text("heard", "Not known: the page\u2019s server does not answer.");
  text("summary", "");
  empty();
  text("lost", "The page\u2019s server does not answer. Start \u201ccushwright page\u201d again.");
  show("lost", true);
});
live.addEventListener("open", () => show("lost", state !== null && state.lost !== "" && state.lost !== "gone"));
