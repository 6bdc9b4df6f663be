// The boards of all canners. Text only ever goes in as textContent: names come from nodes and people.
//
// The remaining time runs here, in the browser, between two updates; and here it gives way to "no data" when
// the server, the collector or the node falls silent. An old figure that looks alive is worse than none.

const SVG = "http://www.w3.org/2000/svg";
const SHAPES = {
  ring: [["circle", { cx: 12, cy: 12, r: 8.5, class: "line" }]],
  rise: [["path", { d: "M12 3 L22 21 L2 21 Z", class: "fill" }]],
  disc: [["circle", { cx: 12, cy: 12, r: 10, class: "fill" }]],
  sink: [["path", { d: "M12 19 L4 5 L20 5 Z", class: "line" }]],
  fall: [["path", { d: "M12 21 L2 3 L22 3 Z", class: "fill" }]],
  diamond: [
    ["path", { d: "M12 2 L22 12 L12 22 L2 12 Z", class: "line" }],
    ["circle", { cx: 12, cy: 12, r: 2, class: "fill" }],
  ],
  tick: [["path", { d: "M3 12.5 L9.5 19 L21 5", class: "line" }]],
  square: [["rect", { x: 4, y: 4, width: 16, height: 16, class: "line" }]],
  cross: [["path", { d: "M5 5 L19 19 M19 5 L5 19", class: "line" }]],
  silent: [
    ["circle", { cx: 12, cy: 12, r: 9.5, class: "line" }],
    ["path", { d: "M5.5 18.5 L18.5 5.5", class: "line" }],
  ],
};
// The server draws each second, a collector at work writes several times a second.
const BEAT_S = 2.5;
const STATE_WORDS = {
  server: "The dashboard's server does not answer",
  collector: "The collector has stopped writing",
  node: "The node in the kitchen is silent",
};

function shape(name) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 24 24");
  svg.setAttribute("aria-hidden", "true");
  for (const [tag, attributes] of SHAPES[name] || SHAPES.diamond) {
    const piece = document.createElementNS(SVG, tag);
    for (const [key, value] of Object.entries(attributes)) piece.setAttribute(key, value);
    svg.append(piece);
  }
  return svg;
}

function make(tag, name, parent, attributes = {}) {
  const node = document.createElement(tag);
  node.className = name;
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  parent.append(node);
  return node;
}

function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
  node.hidden = text === "";
}

function clock(span_s) {
  const whole = Math.max(0, Math.ceil(span_s - 1e-6));
  const two = (value) => String(value).padStart(2, "0");
  const hours = Math.floor(whole / 3600);
  const rest = `${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
  return hours ? `${hours}:${rest}` : rest.replace(/^0(?=\d:)/, "");
}

function age(span_s) {
  const whole = Math.max(0, Math.floor(span_s));
  return whole < 100 ? `${whole} s` : `${Math.floor(whole / 60)} min`;
}

function create(list, form) {
  const root = make("section", "bw-board", list);
  const head = make("div", "bw-head", root);
  // In a line the name is the way to the whole board; there it is a heading.
  const title = form === "line" ? make("a", "bw-title", head, { href: "/" }) : make("h2", "bw-title", head);
  const batch = make("span", "bw-batch", head);
  const simulated = make("span", "bw-simulated", head);
  const state = make("p", "bw-state", root);
  const mark = make("span", "bw-shape", state);
  const word = make("span", "bw-word", state);
  const figure = make("p", "bw-figure", root);
  const digits = make("span", "bw-digits", figure, { role: "timer" });
  const label = make("span", "bw-label", figure);
  // What is seen ticks; what is heard is new at a whole minute or another state.
  const sentence = make("p", "bw-sentence", root, { "aria-hidden": "true" });
  const told = make("p", "bw-told", root, { role: "status" });
  const reason = make("p", "bw-reason", root);
  const strip = make("div", "bw-strip", root, { role: "img" });
  const heard = make("p", "bw-heard", root);
  const said = make("p", "bw-said", root);
  return {
    root, title, batch, simulated, state, mark, word, digits, figure, label, sentence, told, reason, strip, heard, said,
  };
}

// Who is silent: the nearest link that has missed its beat, for behind it nothing newer could come through.
function lost(board, since_s, serverPatience_s) {
  if (board.phase === "ended") return null;
  const row_s = board.row_age_s + since_s;
  const sample_s = board.sample_age_s === null ? null : board.sample_age_s + since_s;
  const age_s = sample_s === null ? row_s : Math.max(row_s, sample_s);
  const patience_s = sample_s === null ? serverPatience_s : board.patience_s;
  if (since_s <= serverPatience_s && row_s <= serverPatience_s && age_s <= patience_s) return null;
  if (since_s > BEAT_S) return { who: "server", age_s };
  return { who: row_s > BEAT_S ? "collector" : "node", age_s };
}

function wear(view, tone, shapeName) {
  if (view.root.dataset.tone !== tone) view.root.dataset.tone = tone;
  if (view.mark.dataset.shape !== shapeName) {
    view.mark.dataset.shape = shapeName;
    view.mark.replaceChildren(shape(shapeName));
  }
}

function stripe(view, pieces) {
  const told = JSON.stringify(pieces || []);
  if (view.strip.dataset.told === told) return;
  view.strip.dataset.told = told;
  view.strip.replaceChildren();
  view.strip.hidden = !pieces || pieces.length === 0;
  view.strip.setAttribute("aria-label", "The run so far: " + (pieces || []).map((piece) => piece.words).join("; "));
  for (const piece of pieces || []) {
    const part = make("span", "bw-piece", view.strip, { title: piece.words });
    part.style.width = `${(piece.share * 100).toFixed(3)}%`;
    part.dataset.tone = piece.tone;
  }
}

function drawLost(view, board, gone, far, known) {
  wear(view, "alarm", "silent");
  say(view.word, far ? "NO DATA" : "No data");
  view.state.dataset.long = "no";
  // Across the room it is said once: who is silent and what to do need the place.
  say(view.digits, far ? `for ${age(gone.age_s)}` : `NO DATA ${age(gone.age_s)}`);
  view.digits.classList.add("bw-nodata");
  view.digits.classList.remove("bw-hours");
  say(view.label, "");
  say(view.sentence, `${STATE_WORDS[gone.who]}. Go and look at the canner.`);
  say(view.told, view.sentence.textContent);
  const before = known ? `Last known: ${known.toLowerCase()}. ` : "";
  say(view.reason, `${before}Whatever was shown before may no longer be true.`);
  say(view.heard, "");
}

function drawBoard(view, board, since_s, memory) {
  wear(view, board.tone, board.shape);
  say(view.word, board.word);
  view.state.dataset.long = board.word.length > 10 ? "yes" : "no";
  view.digits.classList.remove("bw-nodata");
  const run_s = board.counts_down ? (board.row_age_s + since_s) * board.rate : 0;
  say(view.digits, board.remaining_s === null ? "" : clock(board.remaining_s - run_s));
  // Seven signs instead of five: across the room they take smaller type.
  view.digits.classList.toggle("bw-hours", view.digits.textContent.split(":").length > 2);
  say(view.label, board.remaining_label);
  view.figure.hidden = board.remaining_s === null;
  say(view.sentence, board.sentence);
  say(view.told, board.spoken);
  // Across the room the reason takes the sentence's place; beside it, it is not said twice.
  const twice = memory.data.form !== "far" && board.sentence.includes(board.reason);
  say(view.reason, twice ? "" : board.reason);
  const old_s = board.sample_age_s === null ? null : board.sample_age_s + since_s;
  say(view.heard, old_s === null ? "" : `Last reading ${age(old_s)} ago`);
}

function draw(memory) {
  const since_s = (performance.now() - memory.at_ms) / 1000;
  const silent = [];
  for (const board of memory.data.boards) {
    const view = memory.views.get(board.key);
    const gone = lost(board, since_s, memory.data.server_patience_s);
    view.root.classList.toggle("bw-lost", gone !== null);
    view.root.dataset.gone = gone ? gone.who : "";
    // What is unknown was something before.
    if (!gone && board.phase !== "unknown") view.known = board.word;
    if (gone) drawLost(view, board, gone, memory.data.form === "far", view.known || board.known);
    else drawBoard(view, board, since_s, memory);
    if (gone) view.figure.hidden = false;
    if (gone) silent.push(board.title);
    if (gone?.who === "server") alone();
    strike(board.run_id, gone !== null);
  }
  window.boilwitnessSilent = silent.length > 0;
  if (memory.data.form !== "line") title(memory, silent);
}

// The page library says that its server is gone in a box of its own, which covers the board and asks for the internet.
// The board says the same and what to do. Closed, not only hidden: an open box takes the sound's button away.
function alone() {
  for (const close of document.querySelectorAll('[data-testid="stDialog"] section > button')) close.click();
}

// Figures elsewhere on the page that belong to a silent run are struck through.
function strike(run_id, old) {
  for (const node of document.querySelectorAll("[data-run]")) {
    if (node.dataset.run === run_id) node.classList.toggle("bw-old", old);
  }
}

function title(memory, silent) {
  const first = memory.data.boards[0];
  if (!first) return;
  const words = silent.length ? `NO DATA – ${silent[0]}` : `${first.word} – ${first.title}`;
  const whole = `${words} – boilwitness`;
  if (document.title !== whole) document.title = whole;
}

function arrange(memory) {
  const keys = new Set(memory.data.boards.map((board) => board.key));
  for (const [key, view] of memory.views) {
    if (keys.has(key)) continue;
    view.root.remove();
    memory.views.delete(key);
  }
  memory.data.boards.forEach((board, index) => {
    if (!memory.views.has(board.key)) memory.views.set(board.key, create(memory.list, memory.data.form));
    const view = memory.views.get(board.key);
    say(view.title, board.title);
    say(view.batch, board.batch);
    say(view.simulated, board.simulated ? (board.rate === 1 ? "simulated" : `simulated, ${board.rate}× life`) : "");
    view.root.setAttribute("aria-label", board.title);
    stripe(view, memory.data.form ? [] : board.strip);
    say(view.said, board.said ? `last said: ${board.said}` : "");
    if (memory.list.children[index] !== view.root) memory.list.insertBefore(view.root, memory.list.children[index]);
  });
}

export default function (component) {
  const { data, parentElement } = component;
  const list = parentElement.querySelector(".bw-boards");
  if (!list.boilwitness) {
    const memory = { list, views: new Map(), tick: null };
    memory.timer = setInterval(() => draw(memory), 250);
    list.boilwitness = memory;
  }
  const memory = list.boilwitness;
  // Only a new update from the server renews the figures' age; a mere redraw does not.
  if (memory.tick !== data.tick) {
    memory.tick = data.tick;
    memory.at_ms = performance.now();
  }
  memory.data = data;
  list.classList.toggle("bw-far", data.form === "far");
  list.classList.toggle("bw-line", data.form === "line");
  list.dataset.count = String(Math.min(data.boards.length, 4));
  arrange(memory);
  draw(memory);
  return () => {
    clearInterval(memory.timer);
    window.boilwitnessSilent = false;
    list.boilwitness = undefined;
    list.replaceChildren();
  };
}
