// Owns what was entered here and is not yet on the disk: kept in this browser until the program has said so.

const PREFIX = "fitassay-bench/";
const BATCH = 40;

const later = (ms) => new Promise((done) => setTimeout(done, ms));

export function freshName() {
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
}

function stored(name, fallback) {
  try {
    return JSON.parse(localStorage.getItem(name)) ?? fallback;
  } catch {
    return fallback; // storage switched off or not ours
  }
}

export class Outbox {
  // send(tab, items) -> {results}; throws {locked: true} where the program no longer knows this page.
  constructor({ room, send, onResult, onState }) {
    this.tab = freshName(); // per load: a duplicated browser tab must not share its numbers
    this.place = `${PREFIX}${room}/${this.tab}`;
    this.room = room;
    this.send = send;
    this.onResult = onResult;
    this.onState = onState;
    this.items = [];
    this.parked = []; // questioned, waiting for a yes: kept as well, but not sent again by themselves
    this.seq = 0;
    this.running = false;
    this.locked = false;
    this.failing = false;
    this.hold = null;
    // Held as long as this page lives, so that another page can tell that it is gone.
    if (navigator.locks) {
      navigator.locks.request(this.place, () => new Promise((release) => (this.hold = release)));
    }
  }

  save() {
    try {
      const all = [...this.parked, ...this.items];
      if (all.length) localStorage.setItem(this.place, JSON.stringify(all));
      else localStorage.removeItem(this.place);
    } catch {
      // Without storage a reading still goes out; it only cannot outlive a crash in between.
    }
  }

  push(item) {
    const entry = { ...item, tab: this.tab, seq: ++this.seq, resent: false };
    this.items.push(entry);
    this.save();
    this.pump();
    return entry;
  }

  park(item) {
    this.parked.push(item);
    this.save();
  }

  unpark(item) {
    this.parked = this.parked.filter((other) => other !== item);
    this.save();
  }

  // The program no longer takes anything from this page: what it holds is another page's to send.
  giveUp() {
    this.locked = true;
    this.hold?.();
  }

  // Readings that another page of this case left behind when it was closed, crashed or gave up.
  async adopt() {
    if (!navigator.locks || this.locked) return 0;
    let found = 0;
    const head = `${PREFIX}${this.room}/`;
    for (const name of Object.keys(localStorage)) {
      if (!name.startsWith(head) || name === this.place) continue;
      await navigator.locks.request(name, { ifAvailable: true }, (lock) => {
        if (!lock) return; // that page is alive and sends them itself
        const orphans = stored(name, []);
        for (const item of Array.isArray(orphans) ? orphans : []) {
          this.items.push({ ...item, resent: true });
          found += 1;
        }
        this.save();
        localStorage.removeItem(name);
      });
    }
    if (found) this.pump();
    return found;
  }

  waiting(match) {
    return this.items.filter(match).length;
  }

  async pump() {
    if (this.running || this.locked) return;
    this.running = true;
    let pause = 250;
    while (this.items.length && !this.locked) {
      // One tab's numbers per message; they are answered in order.
      const tab = this.items[0].tab;
      const batch = [];
      for (const item of this.items.slice(0, BATCH)) {
        if (item.tab !== tab) break;
        batch.push(item);
      }
      let reply;
      try {
        reply = await this.send(tab, batch);
      } catch (problem) {
        for (const item of batch) item.resent = true;
        this.save();
        if (problem.locked) this.giveUp();
        this.failing = true;
        this.onState(this);
        if (this.locked) break;
        await later(pause);
        pause = Math.min(pause * 2, 3000);
        continue;
      }
      pause = 250;
      const was = this.failing;
      this.failing = false;
      const answered = new Map(reply.results.map((r) => [r.seq, r]));
      const left = [];
      const done = [];
      for (const item of this.items) {
        const result = item.tab === tab ? answered.get(item.seq) : undefined;
        if (result) done.push([item, result]);
        else left.push(item);
      }
      this.items = left;
      this.save();
      for (const [item, result] of done) this.onResult(item, result);
      if (was || done.length) this.onState(this);
      if (!done.length) {
        await later(pause); // an answer that answers nothing must not spin
      }
    }
    this.running = false;
  }
}
