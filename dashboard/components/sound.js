// The alarm's sound. A browser plays nothing until somebody has touched the page, so the unarmed state is
// told in words that cannot be overlooked. Armed, it sounds on until no alarm asks for sound any more.

const BEEP = { high: [880, 660], medium: [660, 550], silent: [440, 440] };

const KEPT = "boilwitness-sound";
// The button that sounds the alarm for a test: a tap on it is a tap that lets this device sound.
const TEST = ".st-key-sound_alarm button";

function room() {
  if (!window.boilwitnessSound) {
    window.boilwitnessSound = { context: null, wanted: null, beeps: 0, next: 0 };
    // After a step to another page of ours a browser may still allow what was allowed before; if it does not,
    // the context stays suspended, and the words say that the sound is off.
    if (sessionStorage.getItem(KEPT) === "on") window.boilwitnessSound.context = new AudioContext();
  }
  return window.boilwitnessSound;
}

function armed() {
  return room().context !== null && room().context.state === "running";
}

function tone(hertz, start_s, long_s) {
  const { context } = room();
  const oscillator = context.createOscillator();
  const gain = context.createGain();
  oscillator.type = "square";
  oscillator.frequency.value = hertz;
  gain.gain.setValueAtTime(0.0001, start_s);
  gain.gain.exponentialRampToValueAtTime(0.25, start_s + 0.02);
  gain.gain.setValueAtTime(0.25, start_s + long_s - 0.03);
  gain.gain.exponentialRampToValueAtTime(0.0001, start_s + long_s);
  oscillator.connect(gain).connect(context.destination);
  oscillator.start(start_s);
  oscillator.stop(start_s + long_s);
}

function beep(kind) {
  const sound = room();
  const pair = BEEP[kind] || BEEP.high;
  const now_s = sound.context.currentTime;
  tone(pair[0], now_s, 0.22);
  tone(pair[1], now_s + 0.26, 0.22);
  sound.beeps += 1;
}

function step(list) {
  const sound = room();
  const wanted = sound.wanted || (window.boilwitnessSilent ? "silent" : null);
  list.dataset.armed = armed() ? "yes" : "no";
  list.dataset.sounding = armed() && wanted ? wanted : "no";
  list.dataset.beeps = String(sound.beeps);
  const words = armed()
    ? wanted ? "The alarm is sounding on this device." : "Sound is on. Keep this page open and the volume up."
    : "SOUND IS OFF on this device: an alarm will be seen here, not heard.";
  const line = list.querySelector(".bw-sound-words");
  if (line.textContent !== words) line.textContent = words;
  const button = list.querySelector("button");
  const label = armed() ? "Test the sound" : "Turn the sound on";
  if (button.textContent !== label) button.textContent = label;
  if (armed() && wanted && performance.now() >= sound.next) {
    sound.next = performance.now() + (wanted === "high" ? 1000 : 2500);
    beep(wanted);
  }
}

async function arm(list) {
  const sound = room();
  if (sound.context === null) sound.context = new AudioContext();
  await sound.context.resume();
  sessionStorage.setItem(KEPT, "on");
  beep("high");
  step(list);
}

function heed(list) {
  const tapped = (event) => {
    if (event.target.closest?.(TEST) && !armed()) arm(list);
  };
  document.addEventListener("click", tapped, true);
  return () => document.removeEventListener("click", tapped, true);
}

export default function (component) {
  const { data, parentElement } = component;
  const list = parentElement.querySelector(".bw-sound");
  room().wanted = data.wanted || null;
  if (!list.boilwitness) {
    list.boilwitness = setInterval(() => step(list), 250);
    list.querySelector("button").addEventListener("click", () => arm(list));
    list.boilwitnessDeaf = heed(list);
  }
  step(list);
  return () => {
    clearInterval(list.boilwitness);
    list.boilwitnessDeaf?.();
    list.boilwitness = undefined;
    room().wanted = null;
  };
}
