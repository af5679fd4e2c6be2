// The sound of an alarm. A browser lets a page be heard only after somebody touched it once: the page asks for that touch.
import { $, show } from "./dom.js";

const EVERY_MS = 2000;
let audio = null, beeping = false;

export function ring(wanted) {
  const mute = $("sound").checked && !(audio && audio.state === "running");
  show($("sound-mute"), mute); // before an alarm calls, too: a screen that nobody touched since it was started is silent all night
  show($("sound-off"), wanted && mute);
  if (!wanted || mute || beeping || !$("sound").checked) { return; }
  beeping = true;
  for (const [start, pitch] of [[0, 740], [0.35, 988]]) { tone(audio.currentTime + start, pitch); }
  setTimeout(() => { beeping = false; }, EVERY_MS);
}

function tone(at, pitch) {
  const source = audio.createOscillator(), level = audio.createGain();
  source.frequency.value = pitch;
  level.gain.setValueAtTime(0.0001, at);
  level.gain.exponentialRampToValueAtTime(0.4, at + 0.04);
  level.gain.exponentialRampToValueAtTime(0.0001, at + 0.3);
  source.connect(level).connect(audio.destination);
  source.start(at);
  source.stop(at + 0.32);
}

export function installSound() {
  $("sound").checked = localStorage.getItem("sound") !== "off";
  const wake = () => { audio = audio || new AudioContext(); audio.resume(); };
  $("sound").addEventListener("change", () => { localStorage.setItem("sound", $("sound").checked ? "on" : "off"); wake(); });
  for (const touch of ["pointerdown", "keydown"]) { document.addEventListener(touch, wake, { once: true }); }
}
