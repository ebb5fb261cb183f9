"use strict";

/* The page at the freezer.

   A tap is kept in the browser's own storage before anything else happens, with the phone's
   clock and the difference to the server's clock known at that moment. It is sent at once, and
   again until the server has said that it is on its disk; the server stores each id once. */

const SYNC_EVERY_MS = 4000;
const LONGEST_WAIT_MS = 8000;
const RETRY_MS = [500, 1000, 2000, 4000];
// A measured difference between the clocks is trusted for so long, then measured anew.
const OFFSET_HOLDS_MS = 600000;
const OFFSET_SLACK_MS = 50;

const { token, logbook } = document.body.dataset;
const PREFIX = `metafreeze.${logbook}.tap.`;
const SET_ASIDE = `metafreeze.${logbook}.aside.`;
const VIEWS = ["home", "batch", "review", "arms", "lost"];
const STATE_WORDS = { absent: "not in", liquid: "liquid", ice: "ice", solid: "solid" };
const TRIGGER_WORDS = { knock: "knocked", door: "lid opened" };

const el = (id) => document.getElementById(id);

/* Talking to the server */

let offset = 0;
let offsetError = Infinity;
let offsetAt = 0;

function measureOffset(now, sent, got) {
  const error = (got - sent) / 2;
  const seen = now - (sent + got) / 2;
  const moved = Math.abs(seen - offset) > error + offsetError + OFFSET_SLACK_MS;
  if (error <= offsetError || moved || got - offsetAt > OFFSET_HOLDS_MS) {
    offset = Math.round(seen);
    offsetError = error;
    offsetAt = got;
  }
}

class Refused extends Error {
  constructor(status, message) {
    super(message);
    this.status = status;
  }
}

async function ask(path, body) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), LONGEST_WAIT_MS);
  const options = { signal: stop.signal, cache: "no-store" };
  if (body !== undefined) {
    options.method = "POST";
    options.headers = { "Content-Type": "application/json", "X-Logbook-Token": token };
    options.body = JSON.stringify(body);
  }
  const sent = Date.now();
  try {
    const answer = await fetch(path, options);
    const got = Date.now();
    const content = await answer.json();
    if (!answer.ok) throw new Refused(answer.status, content.error || answer.statusText);
    if (typeof content.now === "number") measureOffset(content.now, sent, got);
    return content;
  } finally {
    clearTimeout(timer);
  }
}

/* Taps that wait here */

const memory = new Map();
let keepsTaps = true;

function keep(tap) {
  memory.set(tap.id, tap);
  try {
    localStorage.setItem(PREFIX + tap.id, JSON.stringify(tap));
  } catch {
    keepsTaps = false;
  }
}

function waiting() {
  // Another window of this browser keeps its taps in the same place.
  const found = new Map(memory);
  try {
    for (let k = 0; k < localStorage.length; k += 1) {
      const name = localStorage.key(k);
      if (!name.startsWith(PREFIX)) continue;
      const text = localStorage.getItem(name);
      if (text !== null) found.set(name.slice(PREFIX.length), JSON.parse(text));
    }
  } catch {
    keepsTaps = false;
  }
  return [...found.values()].sort((a, b) => a.clock + a.offset - (b.clock + b.offset));
}

function forget(id) {
  memory.delete(id);
  try {
    localStorage.removeItem(PREFIX + id);
  } catch {
    keepsTaps = false;
  }
}

function setAside(id, error) {
  const tap = waiting().find((one) => one.id === id);
  try {
    localStorage.setItem(SET_ASIDE + id, JSON.stringify({ tap, error }));
    forget(id);
  } catch {
    keepsTaps = false;
  }
}

function asides() {
  const found = [];
  try {
    for (let k = 0; k < localStorage.length; k += 1) {
      const name = localStorage.key(k);
      if (name.startsWith(SET_ASIDE)) found.push({ name, ...JSON.parse(localStorage.getItem(name)) });
    }
  } catch {
    keepsTaps = false;
  }
  return found;
}

let sending = false;
let failures = 0;
let trouble = "";
let retry = null;

async function send() {
  if (sending) return;
  sending = true;
  clearTimeout(retry);
  try {
    for (;;) {
      const taps = waiting().slice(0, book ? book.most_taps : 100);
      if (!taps.length) break;
      const answer = await ask("/taps", { taps, offset });
      const done = new Set(answer.stored);
      for (const tap of taps) {
        if (!done.has(tap.id)) continue;
        if (batch && tap.batch === batch.plan.id && !batch.taps.has(tap.id)) {
          // Shown until the server's own copy of it comes with the next look.
          batch.taps.set(tap.id, { ...tap, at_ms: tap.clock + tap.offset });
        }
        forget(tap.id);
      }
      for (const one of answer.refused) setAside(one.id, one.error);
      if (!answer.stored.length && !answer.refused.length) break;
    }
    failures = 0;
    trouble = "";
  } catch (error) {
    failed(error);
    retry = setTimeout(send, RETRY_MS[Math.min(failures, RETRY_MS.length) - 1]);
  } finally {
    sending = false;
  }
  drawConnection();
  drawBatch();
}

function failed(error) {
  failures += 1;
  trouble = error instanceof Refused && error.status !== 401 ? error.message : "";
  if (error instanceof Refused && error.status === 401) show("lost");
}

/* What is known */

let book = null;
let batch = null;
let chosen = "";

const newId = () =>
  [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");

function tap(kind, vessel, more = {}) {
  const one = { id: newId(), batch: batch.plan.id, tap: kind, vessel, clock: Date.now(), offset, ...more };
  keep(one);
  drawBatch();
  drawConnection();
  send();
}

function allTaps() {
  const found = new Map(batch.taps);
  for (const one of waiting()) {
    if (one.batch === batch.plan.id && !found.has(one.id)) {
      found.set(one.id, { ...one, at_ms: one.clock + one.offset, seq: Infinity });
    }
  }
  return [...found.values()].sort((a, b) => a.at_ms - b.at_ms || (a.seq ?? Infinity) - (b.seq ?? Infinity) || 0);
}

function standing() {
  const taps = allTaps();
  const undone = new Set(taps.filter((one) => one.tap === "undo").map((one) => one.target));
  return taps.filter((one) => one.tap !== "undo" && !undone.has(one.id));
}

function courseOf(vessel, taps) {
  const course = { state: "absent", in_ms: null, since_ms: null, looked_ms: null, values: {}, taps: [] };
  course.values.start_temp = vessel.fields.start_temp_c;
  course.values.mass_in = vessel.fields.water_mass_start_g;
  for (const one of taps) {
    const own = one.vessel === vessel.name;
    if (!own && one.vessel) continue;
    if (own) course.taps.push(one);
    if ("value" in one) course.values[one.tap] = one.value;
    const inside = course.state !== "absent";
    if (one.tap === "in" && !inside) {
      Object.assign(course, { state: "liquid", in_ms: one.at_ms, since_ms: one.at_ms });
    } else if (one.tap === "ice" && course.state === "liquid") {
      Object.assign(course, { state: "ice", since_ms: one.at_ms, looked_ms: one.at_ms });
    } else if (one.tap === "solid" && inside && course.state !== "solid") {
      Object.assign(course, { state: "solid", since_ms: one.at_ms });
    } else if (["liquid", "partly", "round"].includes(one.tap) && inside && course.state !== "solid") {
      course.looked_ms = one.at_ms;
    }
  }
  return course;
}

/* Words */

function clockWords(ms) {
  const s = Math.max(0, Math.floor(ms / 1000));
  const two = (n) => String(n).padStart(2, "0");
  const h = Math.floor(s / 3600);
  return h ? `${h}:${two(Math.floor(s / 60) % 60)}:${two(s % 60)}` : `${Math.floor(s / 60)}:${two(s % 60)}`;
}

const count = (n, noun) => `${n} ${noun}${n === 1 ? "" : "s"}`;
const wallClock = (ms) => new Date(ms).toLocaleTimeString([], { hour12: false });
const serverNow = () => Date.now() + offset;
const numberWords = (x) => String(Math.round(x * 1000) / 1000);

function windowWords(pair) {
  if (!pair) return "never looked at";
  const [low, high] = pair;
  if (high === null) return `not yet at ${clockWords(low * 1000)}`;
  if (low === high) return `at ${clockWords(high * 1000)}`;
  return `between ${clockWords(low * 1000)} and ${clockWords(high * 1000)}`;
}

function make(tag, text, more = {}) {
  const one = document.createElement(tag);
  if (text) one.textContent = text;
  Object.assign(one, more);
  return one;
}

function setText(one, text) {
  if (one.textContent !== text) one.textContent = text;
}

/* Drawing */

function show(name) {
  const before = VIEWS.find((view) => !el(view).hidden);
  for (const view of VIEWS) el(view).hidden = view !== name;
  el("home-link").hidden = name === "home";
  if (before !== name) {
    window.scrollTo(0, 0);
    if (before) el(name).querySelector("h1").focus();
  }
}

function drawConnection() {
  const left = waiting().length;
  const line = el("connection");
  let text = "";
  if (failures) {
    text = trouble || "Not connected.";
    text += left ? ` ${count(left, "tap")} kept here, sent later.` : "";
  } else {
    text = left ? `Sending ${count(left, "tap")} …` : "All taps stored";
  }
  setText(line, text);
  line.classList.toggle("waiting", failures > 0);
  const alarms = [];
  if (!keepsTaps) alarms.push("This browser keeps nothing: do not close or reload this page while taps wait.");
  if (book) alarms.push(...book.damage);
  for (const one of asides()) alarms.push(`A tap was not taken: ${one.error}`);
  const box = el("alarms");
  const wanted = alarms.join("\n");
  if (box.dataset.said !== wanted) {
    box.dataset.said = wanted;
    box.replaceChildren(...alarms.map((words) => make("p", words, { className: "alarm" })));
    if (asides().length) {
      const drop = make("button", "I have read it", { type: "button" });
      drop.addEventListener("click", () => {
        for (const one of asides()) localStorage.removeItem(one.name);
        drawConnection();
      });
      box.append(drop);
    }
  }
}

function link(href, text) {
  return make("a", text, { href });
}

function drawHome() {
  el("lab-field").hidden = Boolean(book.lab);
  const open = book.batches.filter((one) => !one.closed);
  const closed = book.batches.filter((one) => one.closed);
  el("open-batches").replaceChildren(
    ...open.map((one) => {
      const line = make("li");
      line.append(
        link(`#batch=${one.id}`, one.name),
        make("p", `${count(one.vessels, "vessel")}, ${count(one.taps, "tap")}`, { className: "soft" }),
      );
      return line;
    }),
  );
  el("no-open").hidden = open.length > 0;
  el("closed-batches").replaceChildren(
    ...closed.map((one) => {
      const line = make("li");
      line.append(
        link(`#batch=${one.id}`, one.name),
        make("p", one.entry ? `entry ${one.entry}` : "was there already", { className: "soft" }),
        link(`/batches/${one.id}/sheet.csv`, "CSV"),
      );
      return line;
    }),
  );
  el("no-closed").hidden = closed.length > 0;
  el("planned-part").hidden = book.planned.length === 0;
  el("planned-batches").replaceChildren(
    ...book.planned.map((one) => {
      const line = make("li");
      const begin = make("button", `Begin ${one.name || "it"}`, { type: "button" });
      begin.addEventListener("click", () => beginBatch({ sheet_batch: one.place, lab: el("new-lab").value }));
      line.append(begin, make("p", `${count(one.vessels, "vessel")}, ${one.sheet}`, { className: "soft" }));
      return line;
    }),
  );
  if (!el("cautions").children.length) {
    el("cautions").append(...book.cautions.map((words) => make("li", words)));
    setText(el("deference"), book.deference);
    el("new-fields").append(...book.offered.map(offeredField));
  }
}

function offeredField(field) {
  const box = make("p", "", { className: "field" });
  const id = `field-${field.name}`;
  const unit = field.unit ? `, ${field.unit}` : "";
  const label = make("label", field.label + unit, { htmlFor: id });
  let input;
  if (field.words.length) {
    input = make("select", "", { id });
    input.append(make("option", "not stated", { value: "" }));
    input.append(...field.words.map((word) => make("option", word.replaceAll("_", " "), { value: word })));
  } else {
    input = make("input", "", { id, maxLength: 80, autocomplete: "off" });
  }
  box.append(label, input);
  return box;
}

function readNumber(text) {
  // A minus sign comes as a hyphen or as the sign itself, a decimal mark as a comma too.
  const tidy = text.trim().replace("−", "-").replace(",", ".");
  return /^-?\d*\.?\d+$|^-?\d+\.$/.test(tidy) ? Number(tidy) : NaN;
}

async function beginBatch(what) {
  const wrong = el("new-wrong");
  wrong.textContent = "";
  const watching = document.querySelector("input[name=watching]:checked").value;
  try {
    const begun = await ask("/batches", { id: newId(), watching, ...what });
    location.hash = `#batch=${begun.id}`;
  } catch (error) {
    wrong.textContent = error instanceof Refused ? error.message : "Not connected. A batch begins only at the server.";
  }
}

el("new-batch").addEventListener("submit", (event) => {
  event.preventDefault();
  const wrong = el("new-wrong");
  const vessels = readNumber(el("new-count").value);
  const words = el("new-temps").value.replaceAll("°C", " ").split(/[\s;/]+|,(?=\s|$)/).filter(Boolean);
  const temps = words.map(readNumber);
  if (!Number.isInteger(vessels)) {
    wrong.textContent = "Write how many vessels, as a whole number.";
    return;
  }
  if (temps.some(Number.isNaN)) {
    wrong.textContent = "Write start temperatures as numbers with blanks between them: 80 20";
    return;
  }
  const fields = {};
  for (const field of book.offered) {
    const text = el(`field-${field.name}`).value.trim();
    if (!text) continue;
    fields[field.name] = field.kind === "number" ? readNumber(text) : text;
    if (Number.isNaN(fields[field.name])) {
      wrong.textContent = `Write the ${field.label} as a number.`;
      return;
    }
  }
  beginBatch({
    name: el("new-name").value.trim(),
    lab: el("new-lab").value.trim(),
    vessels,
    start_temps_c: temps,
    fields,
  });
});

function drawBatch() {
  if (!batch || el("batch").hidden) return;
  const taps = standing();
  const courses = batch.plan.vessels.map((vessel) => courseOf(vessel, taps));
  setText(el("batch-name"), batch.plan.name);
  let words = batch.plan.watching === "always" ? "Watched without a break." : "Looked at now and then.";
  if (batch.closed) words = "In the register. What you tap now can be stored as a correction.";
  else if (batch.stored_before) words = "In the register, and tapped since: close it once more.";
  setText(el("batch-state"), words);
  const tiles = el("tiles");
  if (tiles.dataset.batch !== batch.plan.id) {
    tiles.dataset.batch = batch.plan.id;
    tiles.replaceChildren(
      ...batch.plan.vessels.map((vessel) => {
        const button = make("button", "", { type: "button", className: "tile" });
        const head = make("span", "", { className: "head" });
        head.append(make("b", vessel.name), make("span"));
        button.append(head, make("span"), make("span"));
        button.addEventListener("click", () => choose(vessel.name));
        const item = make("li");
        item.append(button);
        return item;
      }),
    );
  }
  batch.plan.vessels.forEach((vessel, k) => {
    const button = tiles.children[k].firstChild;
    const course = courses[k];
    button.className = `tile ${course.state}`;
    button.setAttribute("aria-pressed", String(vessel.name === chosen));
    const start = course.values.start_temp;
    setText(button.firstChild.lastChild, start === undefined ? aimWords(vessel) : `${numberWords(start)}°`);
    setText(button.children[1], STATE_WORDS[course.state]);
  });
  drawVessel(courses);
  drawUndo(taps);
  drawClocks(courses);
}

// A run sheet says at which temperature to aim; what was measured takes its place.
function aimWords(vessel) {
  const aim = /(\d+(?:\.\d+)?) *°C/.exec(vessel.fields.arm || "");
  return aim ? `(${aim[1]}°)` : "";
}

function vesselWords(vessel) {
  const { position_id: position, arm, sham } = vessel.fields;
  const parts = [`Vessel ${vessel.name}`];
  if (position && position !== vessel.name) parts.push(`place ${position}`);
  if (arm) parts.push(arm);
  if (sham) parts.push(`label ${sham}`);
  return parts.join(", ");
}

function drawVessel(courses) {
  const k = batch.plan.vessels.findIndex((vessel) => vessel.name === chosen);
  const vessel = batch.plan.vessels[k];
  const course = courses[k];
  setText(el("vessel-name"), vesselWords(vessel));
  for (const input of document.querySelectorAll("input.measured")) {
    if (document.activeElement === input || input.getAttribute("aria-invalid") === "true") continue;
    const value = course.values[input.id];
    input.value = value === undefined ? "" : numberWords(value);
  }
  const look = el("look-button");
  look.dataset.tap = course.state === "ice" ? "partly" : "liquid";
  setText(look, book.words[look.dataset.tap]);
  const may = {
    absent: ["in", "lid"],
    liquid: ["liquid", "ice", "solid", "knocked", "lid"],
    ice: ["partly", "solid", "knocked", "lid"],
    solid: ["knocked", "lid"],
  }[course.state];
  for (const button of document.querySelectorAll("#buttons button")) {
    button.disabled = !may.includes(button.dataset.tap);
    button.classList.toggle("next", button.dataset.tap === "in" && course.state === "absent");
  }
  document.querySelector("[data-tap=round]").disabled = !courses.some((one) => ["liquid", "ice"].includes(one.state));
  const list = el("vessel-taps");
  const wanted = JSON.stringify(course.taps.map((one) => one.id)) + chosen;
  if (list.dataset.drawn !== wanted) {
    list.dataset.drawn = wanted;
    list.replaceChildren(...course.taps.map(tapLine));
    if (!course.taps.length) list.append(make("li", "None yet."));
  }
  el("review-link").href = `#review=${batch.plan.id}`;
  el("arms-link").href = `#arms=${batch.plan.id}`;
  el("csv-link").href = `/batches/${batch.plan.id}/sheet.csv`;
}

function tapWords(one) {
  let words = book.words[one.tap];
  if ("value" in one) words += ` ${numberWords(one.value)} ${book.measured[one.tap].unit}`;
  if (one.tap === "note") words += ` “${one.text.length > 30 ? `${one.text.slice(0, 29)}…` : one.text}”`;
  return words;
}

function tapLine(one) {
  const line = make("li");
  const words = `${wallClock(one.at_ms)} ${tapWords(one)}`;
  const back = make("button", "Take back", { type: "button" });
  back.setAttribute("aria-label", `Take back ${words}`);
  back.addEventListener("click", () => tap("undo", one.vessel, { target: one.id }));
  line.append(make("span", words), back);
  return line;
}

function drawUndo(taps) {
  const last = taps.at(-1);
  const undo = el("undo");
  undo.disabled = !last;
  undo.dataset.target = last ? last.id : "";
  undo.dataset.vessel = last ? last.vessel || "" : "";
  const whose = last && (last.vessel || "all");
  setText(undo, last ? `Undo ${whose}: ${tapWords(last)}, ${wallClock(last.at_ms)}` : "Nothing to undo");
}

function drawClocks(courses) {
  const now = serverNow();
  const tiles = el("tiles");
  courses.forEach((course, k) => {
    const end = course.state === "solid" ? course.since_ms : now;
    setText(tiles.children[k].firstChild.children[2], course.in_ms === null ? "" : clockWords(end - course.in_ms));
  });
  const course = courses[batch.plan.vessels.findIndex((vessel) => vessel.name === chosen)];
  let words = "Not in yet.";
  if (course.in_ms !== null) {
    const end = course.state === "solid" ? course.since_ms : now;
    words = `${STATE_WORDS[course.state]}, in for ${clockWords(end - course.in_ms)}`;
    if (course.state !== "solid") {
      words += course.looked_ms === null ? ", not looked at yet" : `, last look ${clockWords(now - course.looked_ms)} ago`;
    }
  }
  setText(el("vessel-state"), words.charAt(0).toUpperCase() + words.slice(1));
}

function choose(name) {
  document.activeElement.blur();
  for (const input of document.querySelectorAll("input.measured")) input.removeAttribute("aria-invalid");
  el("measured-wrong").textContent = "";
  el("note").value = "";
  chosen = name;
  drawBatch();
  const button = [...el("tiles").children].map((li) => li.firstChild).find((b) => b.firstChild.firstChild.textContent === name);
  button.focus({ preventScroll: true });
}

/* Taps */

for (const button of document.querySelectorAll("[data-tap]")) {
  button.addEventListener("click", () => {
    const kind = button.dataset.tap;
    tap(kind, ["round", "lid"].includes(kind) ? "" : chosen);
    if (navigator.vibrate) navigator.vibrate(20);
  });
}

el("undo").addEventListener("click", () => {
  const { target, vessel } = el("undo").dataset;
  tap("undo", vessel, { target });
});

for (const input of document.querySelectorAll("input.measured")) {
  input.addEventListener("change", () => {
    const limits = book.measured[input.id];
    const value = readNumber(input.value);
    const wrong = el("measured-wrong");
    input.removeAttribute("aria-invalid");
    wrong.textContent = "";
    if (!input.value.trim()) {
      drawBatch();
      return;
    }
    if (!(value >= limits.low && value <= limits.high)) {
      input.setAttribute("aria-invalid", "true");
      wrong.textContent = `Not kept: the ${limits.label} must be a number from ${limits.low} to ${limits.high} ${limits.unit}.`;
      return;
    }
    tap(input.id, chosen, { value });
  });
}

function keepNote(vessel) {
  const text = el("note").value.trim();
  if (!text) return;
  tap("note", vessel, { text });
  el("note").value = "";
}
el("note-one").addEventListener("click", () => keepNote(chosen));
el("note-all").addEventListener("click", () => keepNote(""));

/* Closing a batch */

let reviewed = null;

async function drawReview() {
  const wrong = el("review-wrong");
  el("store").disabled = true;
  for (const id of ["review-head", "review-absent"]) setText(el(id), "");
  for (const id of ["review-findings", "review-vessels"]) el(id).replaceChildren();
  wrong.textContent = "";
  el("review-back").href = `#batch=${batch.plan.id}`;
  await send();
  if (waiting().some((one) => one.batch === batch.plan.id)) {
    wrong.textContent = "Taps of this batch wait here until the logbook answers. Close it then.";
    return;
  }
  try {
    reviewed = await ask(`/batches/${batch.plan.id}/review`);
  } catch (error) {
    wrong.textContent = error instanceof Refused ? error.message : "Not connected.";
    return;
  }
  setText(
    el("review-head"),
    `${batch.plan.name}, ${batch.plan.lab}: ${count(reviewed.vessels.length, "vessel")}, ${count(reviewed.rows, "row")} ` +
      (reviewed.accepted ? "will be stored as one entry." : "cannot be stored yet."),
  );
  el("review-findings").replaceChildren(
    ...reviewed.findings.map((one) => make("li", one.text, { className: one.severity })),
  );
  el("review-vessels").replaceChildren(...reviewed.vessels.map(reviewLine));
  setText(el("review-absent"), reviewed.not_in.length ? `Never in, not stored: ${reviewed.not_in.join(", ")}.` : "");
  el("store").disabled = !reviewed.accepted;
}

function reviewLine(one) {
  const line = make("li");
  const start = one.start_temp_c === null ? "no start temperature" : `${numberWords(one.start_temp_c)} °C`;
  line.append(make("b", `${one.name}, ${start}`));
  const provoked = one.trigger ? ` (${TRIGGER_WORDS[one.trigger]} before)` : "";
  line.append(make("span", `First ice: ${windowWords(one.first_ice)}${provoked}`));
  line.append(make("span", `Solid: ${windowWords(one.solid)}`));
  const masses = [];
  if (one.mass_in_g !== null) masses.push(`${numberWords(one.mass_in_g)} g in`);
  if (one.mass_out_g !== null) masses.push(`${numberWords(one.mass_out_g)} g out`);
  if (masses.length) line.append(make("span", `Weighed: ${masses.join(", ")}`));
  for (const note of one.notes) line.append(make("span", `“${note}”`));
  return line;
}

el("store").addEventListener("click", async () => {
  el("store").disabled = true;
  const wrong = el("review-wrong");
  try {
    const answer = await ask(`/batches/${batch.plan.id}/store`, { seq: reviewed.seq });
    await syncBatch();
    setText(el("review-head"), `Stored: ${answer.said}`);
    el("review-head").scrollIntoView({ block: "center" });
  } catch (error) {
    wrong.textContent = error instanceof Refused ? error.message : "Not connected. Nothing tells whether it was stored; look again.";
    el("store").disabled = false;
  }
});

/* The two arms */

function drawArms() {
  setText(el("arms-warning"), book.warning);
  setText(el("arms-rule"), book.stopping_rule);
  el("arms-back").href = `#batch=${batch.plan.id}`;
  setText(el("arms-back"), "Back without looking");
  el("arms-answer").replaceChildren();
  el("arms-wrong").textContent = "";
  el("show-arms").hidden = false;
}

el("show-arms").addEventListener("click", async () => {
  const wrong = el("arms-wrong");
  try {
    await send();
    const answer = await ask(`/batches/${batch.plan.id}/arms`, {});
    el("show-arms").hidden = true;
    setText(el("arms-back"), "Back to the batch");
    el("arms-answer").replaceChildren(
      make("p", `Written in the journal as ${answer.entry}. Endpoint: ${answer.endpoint}.`),
      armsTable("This batch", answer.arms, "Too few start temperatures here to make two arms."),
      armsTable(`The register so far, ${count(answer.stored_rows, "row")}`, answer.arms_stored, "Nothing stored makes two arms yet."),
      make("p", `${answer.warning} ${answer.stopping_rule}`, { className: "alarm" }),
    );
    el("arms-answer").focus();
  } catch (error) {
    wrong.textContent = error instanceof Refused ? error.message : "Not connected. Nothing was shown.";
  }
});

function armsTable(title, arms, empty) {
  if (!arms.length) return make("p", `${title}: ${empty}`);
  const table = make("table");
  table.append(make("caption", title));
  const head = make("tr");
  for (const words of ["started at", "reached it", "median time"]) head.append(make("th", words, { scope: "col" }));
  const top = make("thead");
  top.append(head);
  const body = make("tbody");
  for (const arm of arms) {
    const line = make("tr");
    const range = arm.low_c === arm.high_c ? numberWords(arm.low_c) : `${numberWords(arm.low_c)} to ${numberWords(arm.high_c)}`;
    line.append(make("th", arm.vessels ? `${range} °C` : `the ${arm.name} arm`, { scope: "row" }));
    line.append(make("td", arm.vessels ? `${arm.frozen} of ${arm.vessels}` : "no vessel"));
    line.append(make("td", medianWords(arm)));
    body.append(line);
  }
  table.append(top, body);
  return table;
}

function medianWords(arm) {
  if (!arm.vessels) return "–";
  const low = clockWords(arm.median_lower_s * 1000);
  if (arm.median_upper_s === null) return `later than ${low}`;
  return arm.median_lower_s === arm.median_upper_s ? low : `${low} to ${clockWords(arm.median_upper_s * 1000)}`;
}

/* Keeping in step */

async function syncBatch() {
  if (!batch) return;
  const id = batch.plan.id;
  const answer = await ask(`/batches/${id}?after=${batch.seq}`);
  if (!batch || batch.plan.id !== id) return;
  for (const one of answer.taps) {
    batch.taps.set(one.id, { vessel: "", ...one });
    batch.seq = Math.max(batch.seq, one.seq);
  }
  batch.closed = answer.closed;
  batch.stored_before = answer.stored_before;
}

async function route() {
  const [, name, id] = location.hash.match(/^#(batch|review|arms)=([0-9a-f]+)$/) || [];
  try {
    book = await ask("/book");
    failures = 0;
    if (name && (!batch || batch.plan.id !== id)) {
      const answer = await ask(`/batches/${id}`);
      batch = { plan: answer.plan, taps: new Map(), seq: -1, closed: answer.closed };
      chosen = batch.plan.vessels[0].name;
    }
    if (name) await syncBatch();
  } catch (error) {
    failed(error);
    if (error instanceof Refused && error.status === 401) {
      drawConnection();
      return;
    }
    if (!book || (name && (!batch || batch.plan.id !== id))) {
      // Nothing can be shown without the server; the taps stay where they are.
      drawConnection();
      setTimeout(route, RETRY_MS.at(-1));
      return;
    }
  }
  show(name || "home");
  if (!name) drawHome();
  if (name === "batch") drawBatch();
  if (name === "review") drawReview();
  if (name === "arms") drawArms();
  drawConnection();
  send();
}

async function sync() {
  if (document.hidden || !book) return;
  if (waiting().length) {
    send();
    return;
  }
  try {
    // Where no batch is open, the answer still says what the server's clock is.
    await (el("batch").hidden ? ask("/now") : syncBatch());
    failures = 0;
    trouble = "";
  } catch (error) {
    failed(error);
  }
  drawConnection();
  drawBatch();
}

window.addEventListener("hashchange", route);
window.addEventListener("online", send);
document.addEventListener("visibilitychange", () => {
  // A number that was typed and not left yet is kept when the phone goes to sleep.
  if (document.hidden) document.activeElement.blur();
  else sync();
});
setInterval(sync, SYNC_EVERY_MS);
setInterval(() => {
  if (!batch || el("batch").hidden || document.hidden) return;
  const taps = standing();
  drawClocks(batch.plan.vessels.map((vessel) => courseOf(vessel, taps)));
}, 1000);

route();
