// Owns what is shown: the feature that is due, the picture, the course, the verdict and the table.

import { $, count, drawn, indexOf, isFeature, s, sizeLabel, sized, withUnit } from "/page/course.js";
import { blank, draw } from "/page/drawing.js";
import { call } from "/page/talk.js";

// Set by the page: what a press on something shown does.
export const does = { choose() {}, remove() {}, readReference() {} };

const pictures = new Map();

export const say = (text) => ($("said").textContent = text);

export function banner() {
  const kept = s.outbox?.items.filter((item) => item.act === "read") ?? [];
  let text = s.lockedOut || s.state.problem || "";
  if (!text && (s.outbox?.failing || s.silent)) {
    text = "The bench program does not answer. Go on measuring, readings are kept in this browser; "
      + "start fitassay bench again for this case and open the address it shows.";
  }
  if (text && kept.length) {
    text += ` ${s.lockedOut ? "These readings go along" : "Not on the disk yet"}: ${kept.map((k) => `${k.coupon} ${k.feature} ${k.text}`).join("; ")}.`;
  }
  if ($("banner").textContent !== text) $("banner").textContent = text;
  $("banner").hidden = !text;
}

export function render() {
  if (!s.plan) return;
  renderEntry();
  renderPicture();
  renderCourse();
  renderVerdict();
  if ($("taken").open) renderTable();
  banner();
}

function renderEntry() {
  const total = s.plan.features.filter((f) => !f.optional).length;
  const read = s.plan.features.filter((f, i) => !f.optional && count(i)).length;
  const over = s.state.skipped.length;
  $("tally").textContent = `${read} of ${total} features read${over ? `, ${over} skipped` : ""}`;
  $("undo").disabled = !s.mine.length && !s.ask;
  document.querySelector("main").classList.toggle("done", s.cursor === null);
  const f = s.cursor === null ? null : s.plan.features[s.cursor];
  $("number").textContent = f ? f.number : "✓";
  $("feature-name").textContent = f ? `${f.coupon} ${f.feature}` : "All features are read";
  $("nominal").textContent = f ? `${f.words}, ${f.pairs ? "" : "drawn "}${drawn(f)}` : "";
  const done = "Choose a numbered feature to read it once more, or run fitassay diagnose for the whole report.";
  $("instruction").textContent = f ? f.instruction : done;
  $("box-label").textContent = f ? `Reading of ${f.feature}${f.trial ? ": one of the words, or its size if measured" : f.pairs ? ": number of the pair, or none" : ""}` : "Reading";
  // Pairs go below zero, and none is a word: a pad of digits would not do.
  $("unit").textContent = f?.pairs ? "" : "mm";
  $("box").inputMode = f?.pairs ? "text" : "decimal";
  const due = f ? `Next: ${f.coupon} ${f.feature}, ${f.words}, ${drawn(f)}. ${f.instruction}` : done;
  if ($("due").textContent !== due) $("due").textContent = due; // read out; the focus stays in the box
  const here = f ? s.state.readings[s.cursor] : [];
  const values = here.map((r) => r.text).join(", ");
  $("here").textContent = values ? `Read here: ${withUnit(values)}. Another reading counts as a repeat.` : "";
  $("here").hidden = !values || Boolean(s.ask);
  $("trial").hidden = !f?.trial || Boolean(s.ask);
  $("form").classList.toggle("tried", Boolean(f?.trial));
}

let pictured = "";
export async function renderPicture() {
  const f = s.cursor === null ? null : s.plan.features[s.cursor];
  const svg = $("plan");
  if (!f) {
    blank(svg);
    pictured = "";
    svg.setAttribute("aria-label", "All features are read");
    $("drawing-note").textContent = "";
    return;
  }
  const want = `${s.cursor} ${svg.clientWidth} ${svg.clientHeight}`;
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
      ? f.pairs ? `${f.coupon} from above, the row ${f.feature} marked` : `${f.coupon} from above, cut at the height of the jaws; +x as the arrow on the piece`
      : `${f.coupon} from the side`;
  }
  svg.setAttribute("aria-label", `${f.coupon}: ${f.pairs ? "row" : "jaws on"} ${f.feature}, ${f.words}, ${drawn(f)}`);
}

let cells = [];
export function buildCourse() {
  const course = $("course");
  course.replaceChildren();
  cells = [];
  for (const coupon of s.plan.coupons) {
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
    s.plan.features.forEach((f, i) => {
      if (f.coupon !== coupon) return;
      const cell = document.createElement("button");
      cell.type = "button";
      cell.className = f.optional ? "cell optional" : "cell";
      cell.textContent = f.number;
      cell.addEventListener("click", () => {
        does.choose(i);
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
  const doubtful = new Set((s.state.verdict.suspects ?? []).map((s) => `${s.coupon}\n${s.feature}`));
  s.plan.features.forEach((f, i) => {
    const cell = cells[i];
    const doubt = doubtful.has(`${f.coupon}\n${f.feature}`) || s.putOff.some((q) => isFeature(q.item, i));
    cell.classList.toggle("read", count(i) > 0);
    cell.classList.toggle("doubt", doubt);
    const over = !count(i) && s.state.skipped.includes(i);
    const sign = doubt ? "?" : count(i) ? "✓" : over ? "–" : "";
    cell.textContent = `${f.number}${sign}`;
    const status = doubt ? "questioned" : count(i) ? "read" : over ? "skipped" : "not read";
    const wish = f.optional && !count(i) ? ", only where it helps" : "";
    const label = `${f.number}, ${f.feature}, ${drawn(f)}, ${status}${wish}`;
    if (cell.getAttribute("aria-label") !== label) cell.setAttribute("aria-label", label);
    cell.title = label;
    if (i === s.cursor) cell.setAttribute("aria-current", "step");
    else cell.removeAttribute("aria-current");
    cell.tabIndex = i === (s.cursor ?? 0) ? 0 : -1;
  });
}

function jumpButton(target, words) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = words;
  button.addEventListener("click", () => {
    const i = indexOf(target);
    if (i >= 0) does.choose(i);
  });
  return button;
}

// Two readings of one piece may both be doubted: each line has its way to measure it once more.
function againButtons(suspect) {
  if (indexOf(suspect) >= 0) return [jumpButton(suspect, `Measure ${suspect.feature} again`)];
  if (suspect.coupon !== "reference") return [];
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Read this piece again";
  button.addEventListener("click", () => does.readReference(suspect.feature));
  return [button];
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
  const v = s.state.verdict;
  const print = JSON.stringify([v, s.cursor === null]);
  if (print === shownVerdict) return;
  shownVerdict = print;
  $("verdict-text").textContent = v.text ?? "";
  $("rivals-title").hidden = !v.rivals?.length;
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
    line(s.text), ...againButtons(s),
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
  if (s.cursor !== null) return [];
  const parts = [];
  if (v.advice?.length) {
    const cautions = (v.cautions ?? []).map(line);
    for (const caution of cautions) caution.className = "caution";
    parts.push(
      line("To change, in this order (± expanded uncertainty, k = 2):"),
      ...(v.order ? [line(v.order)] : []),
      listOf("ol", v.advice), ...cautions,
    );
  }
  for (const each of v.unsettled ?? []) parts.push(line(each.head), listOf("ul", each.texts));
  return parts;
}

function listOf(kind, texts) {
  const list = document.createElement(kind);
  list.append(...texts.map((text) => {
    const item = document.createElement("li");
    item.append(...line(text).childNodes);
    return item;
  }));
  return list;
}

export function renderTable() {
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
    const value = cell(row, reading ? (coupon === "weighed" ? `${reading.text} g` : reading.text) : "");
    cell(row, reading?.note ?? "");
    if (reading) {
      const away = document.createElement("button");
      away.type = "button";
      away.textContent = "Remove";
      away.setAttribute("aria-label", `Remove ${coupon === "weighed" ? `${reading.text} g` : withUnit(reading.text)} of ${coupon} ${feature}`);
      away.addEventListener("click", () => does.remove({ coupon, feature, text: reading.text }));
      value.append(away);
    }
    rows.push(row);
  };
  s.plan.features.forEach((f, i) => {
    const readings = s.state.readings[i];
    if (!readings.length && !f.optional) entry(f.number, f.coupon, f.feature, f.pairs || sized(f.nominal), null);
    for (const reading of readings) entry(f.number, f.coupon, f.feature, f.pairs || sized(f.nominal), reading);
  });
  for (const r of s.state.references) entry("", r.coupon, r.feature, "", r);
  $("table").tBodies[0].replaceChildren(...rows);
}
