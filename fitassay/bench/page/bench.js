// Owns the page: which feature is due, what Enter does with the box, and what is shown.

import { blank, draw } from "/page/drawing.js";
import { Outbox } from "/page/outbox.js";

const key = new URLSearchParams(location.search).get("key") ?? "";
const $ = (id) => document.getElementById(id);
const box = $("box");

// A second Enter this soon after a question is the caliper's own line end, not a yes [ms].
const TOO_SOON_FOR_YES = 300;
// Digits this soon after a question are the next reading of a burst: nobody reads and retypes that fast [ms].
const TOO_SOON_FOR_ANSWER = 400;
const BURST_OVER = 700;
// Only after such a pause may another window's readings change what comes next here [ms].
const AT_REST = 1500;
const POLL = 1500;
const POLL_VERDICT = 250;

let plan = null;
let state = { version: -1, readings: [], skipped: [], references: [], verdict: { state: "none" } };
let outbox = null;
let cursor = null; // index into plan.features, null when everything is read
let ask = null; // {item, message, hard, since, resume}: a reading that waits for a yes
const putOff = []; // questions raised in the middle of a burst
const mine = []; // what this page put on the disk, for taking back
let lastKey = 0;
let pollTimer = 0;
let lockedOut = "";
const pictures = new Map();

// ---------------------------------------------------------------- talking to the program

async function call(path, body) {
  const options = { headers: { "Fitassay-Key": key }, cache: "no-store" };
  if (body !== undefined) {
    options.method = "POST";
    options.headers["Content-Type"] = "application/json";
    options.body = JSON.stringify(body);
    options.keepalive = options.body.length < 60000; // goes out even while the tab is closing
  }
  const reply = await fetch(path, options);
  if (reply.status === 401 || reply.status === 403 || reply.status === 421) {
    throw Object.assign(new Error("locked"), { locked: true });
  }
  if (!reply.ok) throw new Error(`${reply.status}`);
  return reply.json();
}

async function send(tab, items) {
  const reply = await call("/api/act", { tab, items });
  takeState(reply.state);
  tellOthers();
  return reply;
}

const others = "BroadcastChannel" in window ? new BroadcastChannel("fitassay-bench") : null;
if (others) others.onmessage = () => poll();
const tellOthers = () => others?.postMessage("changed");

async function poll() {
  clearTimeout(pollTimer);
  try {
    const reply = await call(`/api/state?since=${state.version}`);
    if (!reply.same) takeState(reply);
    if (outbox.failing && !outbox.items.length) outbox.failing = false;
    silent = false;
    await outbox.adopt();
  } catch (problem) {
    if (problem.locked) {
      lockOut();
      return;
    }
    silent = true;
  }
  banner();
  schedule();
}
let silent = false;

function schedule() {
  clearTimeout(pollTimer);
  const soon = state.verdict.state === "thinking";
  pollTimer = setTimeout(poll, soon ? POLL_VERDICT : document.hidden ? 4 * POLL : POLL);
}

function takeState(next) {
  if (next.version < state.version) return; // an older answer that came late
  if (plan && next.plan !== plan.id) {
    location.reload(); // other coupons were made meanwhile; what is not sent yet is kept
    return;
  }
  state = next;
  render();
  schedule();
}

function lockOut() {
  lockedOut =
    "This page belongs to an earlier start of the bench. Open the address that the newest fitassay bench showed.";
  outbox?.giveUp();
  banner();
}

// ---------------------------------------------------------------- features and readings

const count = (i) => state.readings[i]?.length ?? 0;
const pending = (i) =>
  outbox.waiting((item) => item.act === "read" && isFeature(item, i)) +
  putOff.filter((q) => isFeature(q.item, i)).length +
  (ask && isFeature(ask.item, i) ? 1 : 0);
const isFeature = (item, i) =>
  item.coupon === plan.features[i].coupon && item.feature === plan.features[i].feature;
const indexOf = (item) => plan.features.findIndex((_, i) => isFeature(item, i));
const wanted = () => Number(document.querySelector("input[name=repeats]:checked").value);

// What is known of the features when the course of this page is worked out: all that had been read when it was
// last at rest, and its own since. Another window's readings must not shift a burst that is under way.
let settled = { counts: [], skipped: new Set() };
const own = new Map();

function settle() {
  if (performance.now() - lastKey < AT_REST || box.value || ask || outbox?.items.length) return;
  settled = { counts: state.readings.map((r) => r.length), skipped: new Set(state.skipped) };
  own.clear();
}

const known = (i) => (settled.counts[i] ?? 0) + (own.get(i) ?? 0);
const full = (i) => known(i) + pending(i) >= wanted();

function nextDue(from) {
  const n = plan.features.length;
  for (let step = 0; step < n; step += 1) {
    const i = (from + step) % n;
    if (!full(i) && !(settled.skipped.has(i) && !known(i))) return i;
  }
  return null;
}

const sized = (value) => value.toFixed(plan.decimals);
const name = (i) => `${plan.features[i].coupon} ${plan.features[i].feature}`;
const sizeLabel = (f, at) => `${at.round ? "Ø " : ""}${sized(f.nominal)}`;

// ---------------------------------------------------------------- the box

function goTo(i, { focus = true } = {}) {
  cursor = i;
  box.value = "";
  render();
  if (focus) box.focus({ preventScroll: true });
}

function submit(text) {
  const value = text.trim();
  if (ask) {
    answer(value);
    return;
  }
  if (!value) return;
  if (cursor === null) {
    say("Every feature has its readings. Choose a numbered one to read it once more.");
    box.select();
    return;
  }
  const f = plan.features[cursor];
  const here = cursor;
  box.value = "";
  outbox.push({
    act: "read", coupon: f.coupon, feature: f.feature, text: value, keep: false,
    n: count(here) + pending(here),
  });
  cursor = after(here);
  render();
}

// Where the cursor stands once feature `here` has one more reading on its way.
const after = (here) => (full(here) ? nextDue(here + 1) : here);

function answer(value) {
  const { item, hard, since, resume } = ask;
  const same = value === item.text;
  if (same && performance.now() - since < TOO_SOON_FOR_YES) return;
  if (!value) return;
  if (same && hard) {
    $("ask-text").textContent = `${ask.message} Type it anew.`;
    box.select();
    return;
  }
  closeAsk();
  box.value = "";
  const here = indexOf(item);
  outbox.push({ ...bare(item), text: value, keep: same, n: count(here) + pending(here) });
  outbox.unpark(item);
  // On with what was due before the question, unless that has been read meanwhile.
  cursor = full(here) && resume !== null && resume !== here && !full(resume) ? resume : after(here);
  render();
}

const bare = ({ act, coupon, feature }) => ({ act, coupon, feature });

function closeAsk() {
  ask = null;
  box.classList.remove("asked");
  $("ask").hidden = true;
}

function raise(question) {
  ask = { ...question, since: performance.now(), resume: cursor };
  cursor = indexOf(question.item);
  box.value = question.item.text;
  box.classList.add("asked");
  $("ask").hidden = false;
  $("ask-keep").hidden = question.hard;
  $("ask-text").textContent = question.hard
    ? question.message
    : `${question.message} Enter keeps it all the same; or type it anew.`;
  render();
  box.focus({ preventScroll: true });
  box.select();
  tones();
}

// In a burst the question has to wait: the digits that are coming belong to the feature after it.
function putOffAsk() {
  const question = { item: ask.item, message: ask.message, hard: ask.hard };
  const { resume } = ask;
  closeAsk();
  putOff.push(question);
  box.value = "";
  cursor = resume;
  render();
}

const busyElsewhere = () => document.activeElement?.matches("input[type=text], select") && document.activeElement !== box;

setInterval(() => {
  if (plan) settle();
  if (ask || !putOff.length || box.value || busyElsewhere()) return;
  if (performance.now() - lastKey > BURST_OVER) raise(putOff.shift());
}, 100);

function onResult(item, result) {
  const i = plan ? indexOf(item) : -1;
  if (result.outcome === "kept") {
    if (item.act === "remove" && i >= 0) own.set(i, (own.get(i) ?? 0) - 1);
    if (item.act === "read" && i >= 0) {
      own.set(i, (own.get(i) ?? 0) + 1);
      mine.push({ coupon: item.coupon, feature: item.feature, text: result.shown });
      say(`${name(i)}: ${withUnit(result.shown)} kept.${result.note ? ` ${result.note}` : ""}`);
    } else if (result.note) {
      say(result.note);
    }
  } else if (result.outcome === "ask" || result.outcome === "refused") {
    const question = { item, message: result.note, hard: result.outcome === "refused" };
    if (i >= 0) outbox.park(item);
    if (i < 0) say(result.note);
    else if (ask || box.value || putOff.length || busyElsewhere()) putOff.push(question);
    else raise(question);
  } else {
    say(result.note);
  }
  render();
}

function undo() {
  if (ask) {
    dropAsk();
    return;
  }
  const last = mine.pop();
  if (!last) {
    say("This page has put in nothing that could be taken back; remove a reading in the list of all readings.");
    return;
  }
  remove(last);
}

function remove({ coupon, feature, text }) {
  outbox.push({ act: "remove", coupon, feature, text, keep: true, n: 0 });
  const i = indexOf({ coupon, feature });
  if (i >= 0) goTo(i);
}

function dropAsk() {
  if (!ask) return;
  const here = indexOf(ask.item);
  outbox.unpark(ask.item);
  closeAsk();
  goTo(here);
  say(`${name(here)} is to be measured again.`);
}

function step(way) {
  if (ask) dropAsk();
  const n = plan.features.length;
  goTo(cursor === null ? (way > 0 ? 0 : n - 1) : (cursor + way + n) % n);
}

// Passed over for good: the terminal does not ask for it again either. A reading undoes that.
function skip() {
  if (ask) dropAsk();
  if (cursor === null) return;
  const f = plan.features[cursor];
  const here = cursor;
  if (!count(here)) {
    outbox.push({ act: "skip", coupon: f.coupon, feature: f.feature, text: "", keep: false, n: 0 });
    settled.skipped.add(here);
  }
  goTo(nextDue(here + 1));
}

const withUnit = (text) => (/^[0-9]/.test(text) ? `${text} mm` : text);

// Two short tones, so that eyes can stay on the plastic.
let sound = null;
function tones() {
  if (!$("sound").checked || !window.AudioContext) return;
  try {
    sound ??= new AudioContext();
    [0, 0.16].forEach((at, i) => {
      const tone = sound.createOscillator();
      const gain = sound.createGain();
      gain.gain.value = 0.08;
      tone.frequency.value = i ? 392 : 523;
      tone.connect(gain).connect(sound.destination);
      tone.start(sound.currentTime + at);
      tone.stop(sound.currentTime + at + 0.11);
    });
  } catch {
    // No sound device: the words stand.
  }
}

// ---------------------------------------------------------------- showing

const say = (text) => ($("said").textContent = text);

function banner() {
  const kept = outbox?.items.filter((item) => item.act === "read") ?? [];
  let text = lockedOut || state.problem || "";
  if (!text && (outbox?.failing || silent)) {
    text = "The bench program does not answer. Go on measuring, readings are kept in this browser; "
      + "start fitassay bench again for this case and open the address it shows.";
  }
  if (text && kept.length) {
    text += ` ${lockedOut ? "These readings go along" : "Not on the disk yet"}: ${kept.map((k) => `${k.coupon} ${k.feature} ${k.text}`).join("; ")}.`;
  }
  if ($("banner").textContent !== text) $("banner").textContent = text;
  $("banner").hidden = !text;
}

function render() {
  if (!plan) return;
  renderEntry();
  renderPicture();
  renderCourse();
  renderVerdict();
  if ($("taken").open) renderTable();
  banner();
}

function renderEntry() {
  const total = plan.features.length;
  const read = plan.features.filter((_, i) => count(i)).length;
  const over = state.skipped.length;
  $("tally").textContent = `${read} of ${total} features read${over ? `, ${over} skipped` : ""}`;
  $("undo").disabled = !mine.length && !ask;
  document.querySelector("main").classList.toggle("done", cursor === null);
  const f = cursor === null ? null : plan.features[cursor];
  $("number").textContent = f ? f.number : "✓";
  $("feature-name").textContent = f ? `${f.coupon} ${f.feature}` : "All features are read";
  $("nominal").textContent = f ? `${f.words}, drawn ${sized(f.nominal)} mm` : "";
  const done = "Choose a numbered feature to read it once more, or run fitassay diagnose for the whole report.";
  $("instruction").textContent = f ? f.instruction : done;
  $("box-label").textContent = f ? `Reading of ${f.feature}` : "Reading";
  const due = f ? `Next: ${f.coupon} ${f.feature}, ${f.words}, ${sized(f.nominal)} mm. ${f.instruction}` : done;
  if ($("due").textContent !== due) $("due").textContent = due; // read out; the focus stays in the box
  const here = f ? state.readings[cursor] : [];
  const values = here.map((r) => r.text).join(", ");
  $("here").textContent = values ? `Read here: ${withUnit(values)}. Another reading counts as a repeat.` : "";
  $("here").hidden = !values || Boolean(ask);
  $("trial").hidden = !f?.trial || Boolean(ask);
  $("form").classList.toggle("tried", Boolean(f?.trial));
}

let pictured = "";
async function renderPicture() {
  const f = cursor === null ? null : plan.features[cursor];
  const svg = $("plan");
  if (!f) {
    blank(svg);
    pictured = "";
    svg.setAttribute("aria-label", "All features are read");
    $("drawing-note").textContent = "";
    return;
  }
  const want = `${cursor} ${svg.clientWidth} ${svg.clientHeight}`;
  if (want === pictured) return;
  pictured = want;
  if (!pictures.has(f.coupon)) {
    pictures.set(f.coupon, call(`/api/drawing?coupon=${encodeURIComponent(f.coupon)}`).catch((problem) => {
      pictures.delete(f.coupon);
      return { missing: problem.locked ? "" : "The drawing could not be fetched; measure as the words say." };
    }));
  }
  const data = await pictures.get(f.coupon);
  if (pictured !== want) return; // moved on meanwhile
  const at = data.features?.[f.feature];
  if (!at) {
    blank(svg);
    pictured = data.missing === undefined ? pictured : "";
    $("drawing-note").textContent = data.missing ?? "No drawing of this feature; measure as the words say.";
  } else {
    draw(svg, data, { ...at, kind: f.kind, jaw: f.jaw }, sizeLabel(f, at));
    $("drawing-note").textContent = at.view === "plan"
      ? `${f.coupon} from above, cut at the height of the jaws; +x as the arrow on the piece`
      : `${f.coupon} from the side`;
  }
  svg.setAttribute("aria-label", `${f.coupon}: jaws on ${f.feature}, ${f.words}, ${sized(f.nominal)} mm`);
}

let cells = [];
function buildCourse() {
  const course = $("course");
  course.replaceChildren();
  cells = [];
  for (const coupon of plan.coupons) {
    const group = document.createElement("div");
    group.setAttribute("role", "group");
    const title = document.createElement("h3");
    const words = document.createElement("bdi");
    words.textContent = coupon;
    title.append(words);
    title.id = `coupon-${course.childElementCount}`;
    group.setAttribute("aria-labelledby", title.id);
    const row = document.createElement("div");
    row.className = "cells";
    plan.features.forEach((f, i) => {
      if (f.coupon !== coupon) return;
      const cell = document.createElement("button");
      cell.type = "button";
      cell.className = "cell";
      cell.textContent = f.number;
      cell.addEventListener("click", () => {
        if (ask) dropAsk();
        goTo(i);
      });
      row.append(cell);
      cells[i] = cell;
    });
    group.append(title, row);
    course.append(group);
  }
  // One stop for Tab; arrows walk within.
  course.addEventListener("keydown", (event) => {
    const at = cells.indexOf(document.activeElement);
    const way = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (at < 0 || !way) return;
    event.preventDefault();
    event.stopPropagation();
    cells[(at + way + cells.length) % cells.length].focus();
  });
}

function renderCourse() {
  const doubtful = new Set((state.verdict.suspects ?? []).map((s) => `${s.coupon}\n${s.feature}`));
  plan.features.forEach((f, i) => {
    const cell = cells[i];
    const doubt = doubtful.has(`${f.coupon}\n${f.feature}`) || putOff.some((q) => isFeature(q.item, i));
    cell.classList.toggle("read", count(i) > 0);
    cell.classList.toggle("doubt", doubt);
    const over = !count(i) && state.skipped.includes(i);
    const sign = doubt ? "?" : count(i) ? "✓" : over ? "–" : "";
    cell.textContent = `${f.number}${sign}`;
    const status = doubt ? "questioned" : count(i) ? "read" : over ? "skipped" : "not read";
    const label = `${f.number}, ${f.feature}, ${sized(f.nominal)} mm, ${status}`;
    if (cell.getAttribute("aria-label") !== label) cell.setAttribute("aria-label", label);
    cell.title = label;
    if (i === cursor) cell.setAttribute("aria-current", "step");
    else cell.removeAttribute("aria-current");
    cell.tabIndex = i === (cursor ?? 0) ? 0 : -1;
  });
}

function jumpButton(target, words) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = words;
  button.addEventListener("click", () => {
    if (ask) dropAsk();
    const i = indexOf(target);
    if (i >= 0) goTo(i);
  });
  return button;
}

const line = (text) => {
  const p = document.createElement("p");
  const isolated = document.createElement("bdi");
  isolated.textContent = text;
  p.append(isolated);
  return p;
};

let shownVerdict = "";
function renderVerdict() {
  const v = state.verdict;
  const print = JSON.stringify([v, cursor === null]);
  if (print === shownVerdict) return;
  shownVerdict = print;
  $("verdict-text").textContent = v.text ?? "";
  $("rivals").replaceChildren(...(v.rivals ?? []).map((r) => {
    const item = document.createElement("li");
    item.className = r.accused ? "accused" : "";
    const label = document.createElement("span");
    label.textContent = r.label;
    const chance = document.createElement("span");
    chance.textContent = r.chance;
    const bar = document.createElement("span");
    bar.className = "bar";
    const fill = document.createElement("i");
    fill.style.width = `${Math.round(100 * r.probability)}%`;
    bar.append(fill);
    item.append(label, chance, bar);
    return item;
  }));
  $("suspects").replaceChildren(...(v.suspects ?? []).flatMap((s) => [
    line(s.text), ...(indexOf(s) >= 0 ? [jumpButton(s, `Measure ${s.feature} again`)] : []),
  ]));
  const telling = v.telling;
  $("next").replaceChildren(
    ...(v.next ?? []).map(line),
    ...(telling ? [jumpButton(telling, `Measure ${telling.coupon} ${telling.feature} next`)] : []),
  );
  $("advice").replaceChildren(...adviceParts(v));
}

// Only once all is read: before that it may still change, and the machine with it.
function adviceParts(v) {
  if (cursor !== null || !v.advice?.length) return [];
  const list = document.createElement("ol");
  for (const step of v.advice) {
    const item = document.createElement("li");
    item.append(...line(step).childNodes);
    list.append(item);
  }
  const cautions = (v.cautions ?? []).map(line);
  for (const caution of cautions) caution.className = "caution";
  return [line("To change, in this order (± expanded uncertainty, k = 2):"), list, ...cautions];
}

function toTheMostTelling() {
  const i = state.verdict.telling ? indexOf(state.verdict.telling) : -1;
  if (i < 0) {
    say("There is no feature left that would tell more.");
    return;
  }
  if (ask) dropAsk();
  goTo(i);
}

function renderTable() {
  const rows = [];
  const cell = (row, text) => {
    const td = document.createElement("td");
    const isolated = document.createElement("bdi");
    isolated.textContent = text;
    td.append(isolated);
    row.append(td);
    return td;
  };
  const entry = (number, coupon, feature, nominal, reading) => {
    const row = document.createElement("tr");
    for (const text of [number, coupon, feature, nominal]) cell(row, text);
    const value = cell(row, reading ? reading.text : "");
    cell(row, reading?.note ?? "");
    if (reading) {
      const away = document.createElement("button");
      away.type = "button";
      away.textContent = "Remove";
      away.setAttribute("aria-label", `Remove ${withUnit(reading.text)} of ${coupon} ${feature}`);
      away.addEventListener("click", () => remove({ coupon, feature, text: reading.text }));
      value.append(away);
    }
    rows.push(row);
  };
  plan.features.forEach((f, i) => {
    const readings = state.readings[i];
    if (!readings.length) entry(f.number, f.coupon, f.feature, sized(f.nominal), null);
    for (const reading of readings) entry(f.number, f.coupon, f.feature, sized(f.nominal), reading);
  });
  for (const r of state.references) entry("", "reference", r.feature, "", r);
  $("table").tBodies[0].replaceChildren(...rows);
}

// ---------------------------------------------------------------- keys

$("form").addEventListener("submit", (event) => {
  event.preventDefault();
  submit(box.value);
  box.focus({ preventScroll: true });
});

box.addEventListener("paste", (event) => {
  const lines = event.clipboardData.getData("text").split(/[\r\n\t]+/).filter((t) => t.trim());
  if (lines.length < 2) return;
  event.preventDefault(); // a single-line box would run the numbers together
  for (const text of lines) submit(text);
});

const typable = (event) =>
  event.key.length === 1 && !event.ctrlKey && !event.metaKey && !event.altKey;

document.addEventListener("keydown", (event) => {
  if (!plan || event.isComposing) return;
  lastKey = performance.now();
  const elsewhere = event.target.closest?.("input[type=text], select, textarea") && event.target !== box;
  if (elsewhere) return;
  if (typable(event) && /[0-9.,+-]/.test(event.key)) {
    if (ask && performance.now() - ask.since < TOO_SOON_FOR_ANSWER) putOffAsk();
    if (event.target !== box) {
      // The caliper types wherever the focus is; its digits belong in the box.
      event.preventDefault();
      box.focus({ preventScroll: true });
      box.value = (ask ? "" : box.value) + event.key;
    }
    return;
  }
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !event.shiftKey) {
    if (event.target === box && box.value && !ask) return;
    event.preventDefault();
    undo();
    return;
  }
  if (event.target !== box && event.target !== document.body) return;
  if (event.key === "ArrowDown" || event.key === "ArrowUp") {
    event.preventDefault();
    step(event.key === "ArrowDown" ? 1 : -1);
  } else if (event.key === "PageDown") {
    event.preventDefault();
    toTheMostTelling();
  } else if (event.key === "Escape") {
    event.preventDefault();
    if (ask) dropAsk();
    else box.value = "";
  } else if (event.key === "Enter" && event.target === document.body) {
    box.focus();
  }
});

const andBack = (id, act) =>
  $(id).addEventListener("click", () => {
    act();
    box.focus({ preventScroll: true }); // else the caliper's Enter would press the button again
  });
andBack("back", () => step(-1));
andBack("on", skip);
andBack("undo", undo);
andBack("ask-keep", () => {
  if (!ask) return;
  ask.since = -Infinity;
  answer(ask.item.text);
});
andBack("ask-drop", dropAsk);
for (const button of $("trial").querySelectorAll("button")) {
  button.addEventListener("click", () => {
    submit(button.dataset.word);
    box.focus({ preventScroll: true });
  });
}
$("repeats").addEventListener("change", () => {
  if (cursor === null || full(cursor)) cursor = nextDue(cursor ?? 0);
  render();
  box.focus({ preventScroll: true });
});
$("taken").addEventListener("toggle", () => plan && renderTable());

$("reference-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const [size, reading] = [$("reference-size").value.trim(), $("reference-reading").value.trim()];
  if (!size || !reading) {
    $("reference-said").textContent = "Both the known size and the reading are needed.";
    return;
  }
  outbox.push({
    act: "reference", coupon: "reference", feature: `${$("reference-jaws").value}:${size}`, text: reading,
    keep: true, n: 0,
  });
  $("reference-reading").value = "";
});

const watchFocus = () => ($("refocus").hidden = document.hasFocus());
addEventListener("focus", watchFocus);
addEventListener("blur", watchFocus);
$("refocus").addEventListener("click", () => box.focus());
document.addEventListener("visibilitychange", () => !document.hidden && plan && poll());
new ResizeObserver(() => plan && renderPicture()).observe($("plan"));

// ---------------------------------------------------------------- start

async function start() {
  try {
    plan = await call("/api/plan");
    state = await call("/api/state?since=-1");
  } catch (problem) {
    if (problem.locked) lockOut();
    else lockedOut = "The bench program does not answer; start fitassay bench again.";
    $("feature-name").textContent = "Nothing to show";
    banner();
    return;
  }
  document.title = `${plan.case} · bench`;
  $("case-name").textContent = plan.case;
  $("case-where").textContent = plan.where;
  outbox = new Outbox({
    room: plan.room, send, onState: banner,
    onResult: (item, result) => {
      if (item.act === "reference") $("reference-said").textContent = result.note;
      else onResult(item, result);
    },
  });
  buildCourse();
  lastKey = -Infinity;
  settle();
  await outbox.adopt();
  cursor = nextDue(0);
  render();
  box.focus({ preventScroll: true });
  watchFocus();
  schedule();
}

start();
