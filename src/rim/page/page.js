"use strict";
// The phone page: asks for the document twice a second, shows it as text, sends presses. A press has an identity of its own
// and is sent until the laptop says what came of it, so that it counts once or is said to be lost, and never twice.

const EVERY_MS = 500;       // from one look to the next
const PATIENCE_MS = 4000;   // for one answer
const OLD_MS = 4000;        // from then on what is shown is old, and is taken away
const KEPT = "wattward-press";

const at = id => document.getElementById(id);
let heard = null;           // when the laptop last answered, by this phone's own reckoning
let shown = "";             // the document as it was drawn last
let pending = null;         // the press under way: { id, ask, key, label, date, tick }

function say(element, text) {
  // Only a change is read out.
  if (element.textContent !== text) element.textContent = text;
}

function make(name, text, more) {
  const element = Object.assign(document.createElement(name), more || {});
  element.textContent = text;
  return element;
}

async function ask(path, body) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), PATIENCE_MS);
  try {
    const options = { cache: "no-store", credentials: "omit", signal: stop.signal };
    const answer = await fetch(path, body ? { ...options, method: "POST", body } : options);
    if (!answer.ok) throw new Error(String(answer.status));
    return await answer.json();
  } finally {
    clearTimeout(timer);
  }
}

function drawMeters(meters, old) {
  const tables = meters.map(meter => {
    const table = make("table", "");
    table.append(make("caption", meter.name));
    const head = make("tr", "");
    for (const words of ["Phase", "Power", "Direction"]) head.append(make("th", words, { scope: "col" }));
    table.append(make("thead", ""), make("tbody", ""));
    table.tHead.append(head);
    for (const row of meter.rows) {
      const line = make("tr", "");
      line.append(make("th", row.phase, { scope: "row" }), make("td", old ? "–" : row.power || "–", { className: "power" }),
        make("td", old ? "not known" : row.direction));
      table.tBodies[0].append(line);
    }
    return table;
  });
  at("meters").replaceChildren(...tables);
}

function drawButtons(buttons, old) {
  const place = at("buttons");
  // The same buttons stay where they are, so that focus and fingers do too.
  while (place.children.length > buttons.length) place.lastChild.remove();
  buttons.forEach((button, index) => {
    let element = place.children[index];
    if (!element) {
      element = make("button", "", { type: "button" });
      element.addEventListener("click", () => press(element));
      place.append(element);
    }
    const offered = button.offered && !old && !pending;
    element.setAttribute("aria-disabled", String(!offered));
    Object.assign(element.dataset, { ask: button.ask, key: button.key, label: button.label });
    const words = button.label + (offered ? "" : "|not now");
    if (element.dataset.words !== words) {
      element.dataset.words = words;
      element.textContent = button.label;
      if (!offered) element.append(make("span", "not now"));
    }
  });
}

function draw(page, old) {
  const text = JSON.stringify([page, old, pending && pending.id]);
  if (text === shown) return;
  shown = text;
  document.title = page.site + " – wattward";
  say(at("site"), page.site);
  say(at("doing"), page.doing);
  say(at("alarm"), page.alarm || "");
  const waits = page.ended ? "It has ended. The result is on the laptop." : "Nothing. Wait.";
  say(at("asked"), page.asked ? page.asked + (page.at_laptop ? " (answered at the laptop: tell the person there)" : "") : waits);
  drawButtons(page.buttons, old || page.ended);
  drawMeters(page.meters, old || page.ended);
  const list = (id, words) => at(id).replaceChildren(...words.map(word => make("li", word)));
  list("said", page.said.length ? page.said : ["Nothing yet."]);
  list("cautions", page.cautions);
}

function line(text, bad) {
  at("line").classList.toggle("bad", bad);
  say(at("line"), text);
}

let last = null;            // the last document

async function look() {
  try {
    const answer = await ask("state");
    if (answer) {
      last = answer.page;
      heard = performance.now() - answer.age_ms;
    }
  } catch (error) { /* what follows says so once it lasts */ }
  const old = heard === null || performance.now() - heard > OLD_MS;
  if (last && last.ended) line("This has ended.", false);
  else if (old) line("No connection to the laptop, or it is busy. What stood here is old. Trying again.", true);
  else line("Connected to the laptop.", false);
  if (last) draw(last, old);
}

// Both clocks of the phone, since one of them may stand still in its sleep and the other be set; the longer time counts.
const ageOf = one => Math.max(0, Math.round(Math.max(performance.now() - one.tick, Date.now() - one.date)));

function keep() {
  try {
    if (pending) sessionStorage.setItem(KEPT, JSON.stringify(pending));
    else sessionStorage.removeItem(KEPT);
  } catch (error) { /* then it is lost with the page */ }
}

function press(button) {
  if (button.getAttribute("aria-disabled") === "true" || pending) return;
  const id = Array.from(crypto.getRandomValues(new Uint8Array(16)), byte => byte.toString(16).padStart(2, "0")).join("");
  const { ask, key, label } = button.dataset;
  pending = { id, ask: Number(ask), key, label, date: Date.now(), tick: performance.now() };
  keep();
  if (last) draw(last, false);
  deliver();
}

async function deliver() {
  const one = pending;
  while (pending === one) {
    say(at("came"), ageOf(one) < OLD_MS ? one.label + ": sending…" : one.label + ": no connection yet; not known whether it was marked");
    try {
      const answer = await ask("press", JSON.stringify({ id: one.id, ask: one.ask, key: one.key, age_ms: ageOf(one) }));
      if (answer.came !== "waiting") {
        const words = answer.came === "marked" ? "marked " + answer.words : "NOT marked: " + answer.words;
        say(at("came"), one.label + ": " + words);
        pending = null;
        keep();
        await look();
        return;
      }
    } catch (error) { /* again, with the same identity */ }
    await new Promise(done => setTimeout(done, 300));
  }
}

try {
  const kept = JSON.parse(sessionStorage.getItem(KEPT) || "null");
  // This page was loaded anew: its own clock begins again, so only the other one counts.
  if (kept) pending = { ...kept, tick: performance.now() };
} catch (error) { /* nothing was kept */ }
if (pending) deliver();

(async () => {
  for (;;) {
    if (!document.hidden) await look();
    await new Promise(done => setTimeout(done, EVERY_MS));
  }
})();
document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
