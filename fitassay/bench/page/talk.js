// Owns the talk with the program: every request, the polling, and what other windows are told.

import { s } from "/page/course.js";

const POLL = 1500;
const POLL_VERDICT = 250;

let pollTimer = 0;

// Set by the page: change() after new readings or a new verdict, notice() when the connection has changed.
export const on = { change() {}, notice() {} };

export async function call(path, body) {
  const options = { headers: {}, cache: "no-store" };
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

export async function send(tab, items) {
  const reply = await call("/api/act", { tab, items });
  takeState(reply.state);
  tellOthers();
  return reply;
}

const others = "BroadcastChannel" in window ? new BroadcastChannel("fitassay-bench") : null;
if (others) others.onmessage = () => poll();
const tellOthers = () => others?.postMessage("changed");

export async function poll() {
  clearTimeout(pollTimer);
  try {
    const reply = await call(`/api/state?since=${s.state.version}`);
    if (!reply.same) takeState(reply);
    if (s.outbox.failing && !s.outbox.items.length) s.outbox.failing = false;
    s.silent = false;
    await s.outbox.adopt();
  } catch (problem) {
    if (problem.locked) {
      lockOut();
      return;
    }
    s.silent = true;
  }
  on.notice();
  schedule();
}
export function schedule() {
  clearTimeout(pollTimer);
  const soon = s.state.verdict.state === "thinking";
  pollTimer = setTimeout(poll, soon ? POLL_VERDICT : document.hidden ? 4 * POLL : POLL);
}

function takeState(next) {
  if (next.version < s.state.version) return; // an older answer that came late
  if (s.plan && next.plan !== s.plan.id) {
    location.reload(); // other coupons were made meanwhile; what is not sent yet is kept
    return;
  }
  s.state = next;
  on.change();
  schedule();
}

export function lockOut() {
  s.lockedOut =
    "This page belongs to an earlier start of the bench. Open the address that the newest fitassay bench showed.";
  s.outbox?.giveUp();
  on.notice();
}
