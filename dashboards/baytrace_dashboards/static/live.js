// The live stream: one connection a tab. The browser resumes by itself with Last-Event-ID; this module says how fresh it is.
const LOST_AFTER_MS = 4000;

export function follow({ onFrame, onReset, onLink }) {
  let last = performance.now();
  let state = "waiting";
  const say = (next) => { state = next; onLink(state, (performance.now() - last) / 1000); };
  const heard = () => { last = performance.now(); if (state !== "live") { say("live"); } };
  let source = null;
  const open = () => {
    source = new EventSource("/api/stream");
    source.addEventListener("frame", (event) => { heard(); onFrame(JSON.parse(event.data)); });
    source.addEventListener("reset", () => { heard(); onReset(); });
    // a refused connection is closed for good by the browser; ask again
    source.addEventListener("error", () => { if (source.readyState === EventSource.CLOSED) { setTimeout(open, 2000); } });
  };
  open();
  const watch = setInterval(() => { if (performance.now() - last > LOST_AFTER_MS) { say("lost"); } }, 500);
  return () => { clearInterval(watch); source.close(); };
}

export async function get(path) {
  const answer = await fetch(path, { headers: { Accept: "application/json" } });
  if (!answer.ok) { throw new Error(await reason(answer)); }
  return answer.json();
}

export async function post(path, body) {
  let answer;
  try {
    answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  } catch { throw new Error("the bench cannot be reached; nothing was recorded"); }
  if (!answer.ok) { throw new Error(await reason(answer)); }
  return answer.json();
}

async function reason(answer) {
  try { return (await answer.json()).detail || `the bench answered ${answer.status}`; } catch { return `the bench answered ${answer.status}`; }
}

export const me = () => localStorage.getItem("who") || "";
export const iAm = (who) => { if (who) { localStorage.setItem("who", who); } };
