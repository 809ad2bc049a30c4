// Owns what the page knows: the plan, what has been read, and which feature comes next.

export const $ = (id) => document.getElementById(id);
export const box = $("box");

// Only after such a pause may another window's readings change what comes next here [ms].
const AT_REST = 1500;

export const s = {
  plan: null,
  state: { version: -1, readings: [], skipped: [], references: [], verdict: { state: "none" } },
  outbox: null,
  cursor: null, // index into plan.features, null when everything is read
  ask: null, // {item, message, hard, suggested, since, resume}: a reading that waits for a yes
  putOff: [], // questions raised in the middle of a burst
  mine: [], // what this page put on the disk, for taking back
  lastKey: 0,
  lockedOut: "",
  silent: false,
  // What was known when this page was last at rest. Another window's readings must not shift a burst under way.
  settled: { counts: [], skipped: new Set() },
};

export const count = (i) => s.state.readings[i]?.length ?? 0;
export const pending = (i) =>
  s.outbox.waiting((item) => item.act === "read" && isFeature(item, i)) +
  s.putOff.filter((q) => isFeature(q.item, i)).length +
  (s.ask && isFeature(s.ask.item, i) ? 1 : 0);
export const isFeature = (item, i) =>
  item.coupon === s.plan.features[i].coupon && item.feature === s.plan.features[i].feature;
export const indexOf = (item) => s.plan.features.findIndex((_, i) => isFeature(item, i));
export const wanted = () => Number(document.querySelector("input[name=repeats]:checked").value);

// Readings of this page since it was last at rest.
export const own = new Map();

export function settle() {
  if (performance.now() - s.lastKey < AT_REST || box.value || s.ask || s.outbox?.items.length) return;
  s.settled = { counts: s.state.readings.map((r) => r.length), skipped: new Set(s.state.skipped) };
  own.clear();
}

export const known = (i) => (s.settled.counts[i] ?? 0) + (own.get(i) ?? 0);
export const full = (i) => known(i) + pending(i) >= wanted();

export function nextDue(from) {
  const n = s.plan.features.length;
  for (let step = 0; step < n; step += 1) {
    const i = (from + step) % n;
    if (!s.plan.features[i].optional && !full(i) && !(s.settled.skipped.has(i) && !known(i))) return i;
  }
  return null;
}

export const sized = (value) => value.toFixed(s.plan.decimals);
export const name = (i) => `${s.plan.features[i].coupon} ${s.plan.features[i].feature}`;
// A row that is read by eye has pairs in place of a size.
export const drawn = (f) => f.pairs || `${sized(f.nominal)} mm`;
export const sizeLabel = (f, at) => f.pairs || `${at.round ? "Ø " : ""}${sized(f.nominal)}`;
export const withUnit = (text) => (/^[0-9]/.test(text) ? `${text} mm` : text);

// Where the cursor stands once feature `here` has one more reading on its way.
export const after = (here) => (full(here) ? nextDue(here + 1) : here);
