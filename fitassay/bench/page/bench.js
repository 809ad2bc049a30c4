// Owns what keys and presses do: the box, questions about a reading, taking back, and the start.

import { $, after, box, count, full, indexOf, name, nextDue, own, pending, s, settle, withUnit } from "/page/course.js";
import { Outbox } from "/page/outbox.js";
import { banner, buildCourse, does, render, renderPicture, renderTable, say } from "/page/show.js";
import { call, lockOut, on, poll, schedule, send } from "/page/talk.js";

// A second Enter this soon after a question is the caliper's own line end, not a yes [ms].
const TOO_SOON_FOR_YES = 300;
// Digits this soon after a question are the next reading of a burst: nobody reads and retypes that fast [ms].
const TOO_SOON_FOR_ANSWER = 400;
const BURST_OVER = 700;

// ---------------------------------------------------------------- the box

function goTo(i, { focus = true } = {}) {
  s.cursor = i;
  box.value = "";
  render();
  if (focus) box.focus({ preventScroll: true });
}

function submit(text) {
  const value = text.trim();
  if (s.ask) {
    answer(value);
    return;
  }
  if (!value) return;
  if (s.cursor === null) {
    say("Every feature has its readings. Choose a numbered one to read it once more.");
    box.select();
    return;
  }
  const f = s.plan.features[s.cursor];
  const here = s.cursor;
  box.value = "";
  s.outbox.push({
    act: "read", coupon: f.coupon, feature: f.feature, text: value, keep: false,
    n: count(here) + pending(here),
  });
  s.cursor = after(here);
  render();
}

function answer(value) {
  const { item, hard, since, resume, suggested } = s.ask;
  const same = value === item.text;
  // The Enter of a caliper in a burst must answer no question that nobody has seen.
  if ((same || value === suggested) && performance.now() - since < TOO_SOON_FOR_YES) return;
  if (!value) return;
  if (same && hard) {
    $("ask-text").textContent = `${s.ask.message} Type it anew.`;
    box.select();
    return;
  }
  closeAsk();
  box.value = "";
  const here = indexOf(item);
  s.outbox.push({ ...bare(item), text: value, keep: same, n: count(here) + pending(here) });
  s.outbox.unpark(item);
  // On with what was due before the question, unless that has been read meanwhile.
  s.cursor = full(here) && resume !== null && resume !== here && !full(resume) ? resume : after(here);
  render();
}

const bare = ({ act, coupon, feature }) => ({ act, coupon, feature });

function closeAsk() {
  s.ask = null;
  box.classList.remove("asked");
  $("ask").hidden = true;
}

function raise(question) {
  s.ask = { ...question, since: performance.now(), resume: s.cursor };
  s.cursor = indexOf(question.item);
  // Enter alone takes what was probably meant, and where nothing was it keeps nothing: the terminal does the same.
  box.value = question.suggested || (question.hard ? question.item.text : "");
  box.classList.add("asked");
  $("ask").hidden = false;
  say(""); // the last reading's "kept" must not stand under the question about this one
  $("ask-keep").hidden = question.hard;
  $("ask-keep").textContent = `Keep ${question.item.text}`;
  $("ask-take").hidden = !question.suggested;
  $("ask-take").textContent = `Take ${question.suggested}`;
  const how = question.suggested ? `Enter takes ${question.suggested}; or type it anew.` : "Read it again and type it.";
  $("ask-text").textContent = question.hard ? question.message : `${question.message} ${how}`;
  render();
  box.focus({ preventScroll: true });
  box.select();
  tones();
}

// In a burst the question has to wait: the digits that are coming belong to the feature after it.
function putOffAsk() {
  const { item, message, hard, suggested } = s.ask;
  const question = { item, message, hard, suggested };
  const { resume } = s.ask;
  closeAsk();
  s.putOff.push(question);
  box.value = "";
  s.cursor = resume;
  render();
}

const busyElsewhere = () => document.activeElement?.matches("input[type=text], select") && document.activeElement !== box;

setInterval(() => {
  if (s.plan) settle();
  if (s.ask || !s.putOff.length || box.value || busyElsewhere()) return;
  if (performance.now() - s.lastKey > BURST_OVER) raise(s.putOff.shift());
}, 100);

function onResult(item, result) {
  const i = s.plan ? indexOf(item) : -1;
  if (result.outcome === "kept") {
    if (item.act === "remove" && i >= 0) own.set(i, (own.get(i) ?? 0) - 1);
    if (item.act === "read" && i >= 0) {
      own.set(i, (own.get(i) ?? 0) + 1);
      s.mine.push({ coupon: item.coupon, feature: item.feature, text: result.shown });
      say(`${name(i)}: ${withUnit(result.shown)} kept.${result.note ? ` ${result.note}` : ""}`);
    } else if (result.note) {
      say(result.note);
    }
  } else if (result.outcome === "ask" || result.outcome === "refused") {
    const hard = result.outcome === "refused";
    const question = { item, message: result.note, hard, suggested: result.suggested ?? "" };
    if (i >= 0) s.outbox.park(item);
    if (i < 0) say(result.note);
    else if (s.ask || box.value || s.putOff.length || busyElsewhere()) s.putOff.push(question);
    else raise(question);
  } else {
    say(result.note);
  }
  render();
}

function undo() {
  if (s.ask) {
    dropAsk();
    return;
  }
  const last = s.mine.pop();
  if (!last) {
    say("This page has put in nothing that could be taken back; remove a reading in the list of all readings.");
    return;
  }
  remove(last);
}

function remove({ coupon, feature, text }) {
  s.outbox.push({ act: "remove", coupon, feature, text, keep: true, n: 0 });
  const i = indexOf({ coupon, feature });
  if (i >= 0) goTo(i);
}

function dropAsk() {
  if (!s.ask) return;
  const here = indexOf(s.ask.item);
  s.outbox.unpark(s.ask.item);
  closeAsk();
  goTo(here);
  say(`${name(here)} is to be measured again.`);
}

function step(way) {
  if (s.ask) dropAsk();
  const n = s.plan.features.length;
  goTo(s.cursor === null ? (way > 0 ? 0 : n - 1) : (s.cursor + way + n) % n);
}

// Passed over for good: the terminal does not ask for it again either. A reading undoes that.
function skip() {
  if (s.ask) dropAsk();
  if (s.cursor === null) return;
  const f = s.plan.features[s.cursor];
  const here = s.cursor;
  if (!count(here)) {
    s.outbox.push({ act: "skip", coupon: f.coupon, feature: f.feature, text: "", keep: false, n: 0 });
    s.settled.skipped.add(here);
  }
  goTo(nextDue(here + 1));
}

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

function toTheMostTelling() {
  const i = s.state.verdict.telling ? indexOf(s.state.verdict.telling) : -1;
  if (i < 0) {
    say("There is no feature left that would tell more.");
    return;
  }
  if (s.ask) dropAsk();
  goTo(i);
}

on.change = render;
on.notice = banner;
does.choose = (i) => {
  if (s.ask) dropAsk();
  goTo(i);
};
does.remove = remove;

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
  if (!s.plan || event.isComposing) return;
  s.lastKey = performance.now();
  const elsewhere = event.target.closest?.("input[type=text], select, textarea") && event.target !== box;
  if (elsewhere) return;
  if (typable(event) && /[0-9.,+-]/.test(event.key)) {
    if (s.ask && performance.now() - s.ask.since < TOO_SOON_FOR_ANSWER) putOffAsk();
    if (event.target !== box) {
      // The caliper types wherever the focus is; its digits belong in the box.
      event.preventDefault();
      box.focus({ preventScroll: true });
      box.value = (s.ask ? "" : box.value) + event.key;
    }
    return;
  }
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !event.shiftKey) {
    if (event.target === box && box.value && !s.ask) return;
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
    if (s.ask) dropAsk();
    else box.value = "";
  } else if (event.key === "Enter" && event.target === document.body) {
    box.focus();
  }
});

does.readReference = (piece) => {
  const [jaws, size] = piece.split(":");
  $("reference").open = true;
  $("reference-jaws").value = jaws;
  $("reference-size").value = size;
  $("reference-reading").focus();
};

const andBack = (id, act) =>
  $(id).addEventListener("click", () => {
    act();
    box.focus({ preventScroll: true }); // else the caliper's Enter would press the button again
  });
andBack("back", () => step(-1));
andBack("on", skip);
andBack("undo", undo);
andBack("ask-keep", () => {
  if (!s.ask) return;
  s.ask.since = -Infinity;
  answer(s.ask.item.text);
});
andBack("ask-take", () => {
  if (!s.ask) return;
  s.ask.since = -Infinity;
  answer(s.ask.suggested);
});
andBack("ask-drop", dropAsk);
for (const button of $("trial").querySelectorAll("button")) {
  button.addEventListener("click", () => {
    submit(button.dataset.word);
    box.focus({ preventScroll: true });
  });
}
$("repeats").addEventListener("change", () => {
  if (s.cursor === null || full(s.cursor)) s.cursor = nextDue(s.cursor ?? 0);
  render();
  box.focus({ preventScroll: true });
});
$("taken").addEventListener("toggle", () => s.plan && renderTable());

$("reference-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const [size, reading] = [$("reference-size").value.trim(), $("reference-reading").value.trim()];
  if (!size || !reading) {
    $("reference-said").textContent = "Both the known size and the reading are needed.";
    return;
  }
  s.outbox.push({
    act: "reference", coupon: "reference", feature: `${$("reference-jaws").value}:${size}`, text: reading,
    keep: true, n: 0,
  });
  $("reference-reading").value = "";
});

function buildScale() {
  const { traced, pieces } = s.plan.scale;
  $("scale-form").hidden = !traced;
  if (!traced) return;
  $("scale-why").textContent =
    "Weighing parts a wide bead from uneven layers: first a metre or more of the filament, then the single wall, whole, with its tag. The scale's own steps stand in machine.toml, [scale].";
  const choices = [["filament", "a length of filament"], ...pieces.map((id) => [id, `coupon ${id}, whole`])];
  choices.push(["plates", "all that was printed, skirts too"]);
  $("scale-what").replaceChildren(...choices.map(([value, words]) => new Option(words, value)));
}

const ofFilament = () => $("scale-what").value === "filament";
$("scale-what").addEventListener("change", () => ($("scale-length-label").hidden = !ofFilament()));
$("scale-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const [length, mass] = [$("scale-length").value.trim(), $("scale-mass").value.trim()];
  if (!mass || (ofFilament() && !length)) {
    $("scale-said").textContent = ofFilament() ? "Both length and mass are needed." : "The mass is needed.";
    return;
  }
  const feature = ofFilament() ? `filament_g:${length}` : `${$("scale-what").value}_g`;
  s.outbox.push({ act: "weigh", coupon: "weighed", feature, text: mass, keep: true, n: 0 });
  $("scale-mass").value = "";
});

const watchFocus = () => ($("refocus").hidden = document.hasFocus());
addEventListener("focus", watchFocus);
addEventListener("blur", watchFocus);
$("refocus").addEventListener("click", () => box.focus());
document.addEventListener("visibilitychange", () => !document.hidden && s.plan && poll());
new ResizeObserver(() => s.plan && renderPicture()).observe($("plan"));

// ---------------------------------------------------------------- start

async function start() {
  try {
    s.plan = await call("/api/plan");
    s.state = await call("/api/state?since=-1");
  } catch (problem) {
    if (problem.locked) lockOut();
    else s.lockedOut = "The bench program does not answer; start fitassay bench again.";
    $("feature-name").textContent = "Nothing to show";
    banner();
    return;
  }
  document.title = `${s.plan.case} · bench`;
  $("case-name").textContent = s.plan.case;
  $("case-where").textContent = s.plan.where;
  s.outbox = new Outbox({
    room: s.plan.room, send, onState: banner,
    onResult: (item, result) => {
      if (item.act === "reference") $("reference-said").textContent = result.note;
      if (item.act === "weigh") $("scale-said").textContent = result.note;
      else onResult(item, result);
    },
  });
  buildCourse();
  buildScale();
  s.lastKey = -Infinity;
  settle();
  await s.outbox.adopt();
  s.cursor = nextDue(0);
  render();
  box.focus({ preventScroll: true });
  watchFocus();
  schedule();
}

start();
