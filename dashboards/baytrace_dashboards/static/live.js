// The live stream: one connection a tab. The browser resumes by itself with Last-Event-ID; this module says how fresh it is.
const LOST_AFTER_MS = 4500;

export function follow({ onFrame, onReset, onLink }) {
  let last = performance.now();
  let state = "waiting";
  const say = (next) => { if (next !== state) { state = next; onLink(state); } };
  const heard = () => { last = performance.now(); say("live"); };
  let source = null;
  const open = () => {
    source = new EventSource("/api/stream");
    source.addEventListener("open", heard);
    source.addEventListener("frame", (event) => { heard(); onFrame(JSON.parse(event.data)); });
    source.addEventListener("reset", () => { heard(); onReset(); });
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
  const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  if (!answer.ok) { throw new Error(await reason(answer)); }
  return answer.json();
}

async function reason(answer) {
  try { return (await answer.json()).detail || `${answer.status}`; } catch { return `the bench answered ${answer.status}`; }
}
