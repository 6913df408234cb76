// Shows what the daemon tells, greys it when the daemon falls silent, and passes commands on.

import { Mouth, Wakefulness } from "/mouth.js";

const SILENT_MS = 1500; // the daemon sends five times a second
const CHECK_MS = 250;
const AGAIN_MS = 1000;

const byId = (id) => document.getElementById(id);
const wide = window.matchMedia("(orientation: landscape)");

let source = null;
let openedAt = 0;
let heardAt = 0;
let boot = null;
let lastN = 0;
let sentences = [];
let waitingText = "";
let stranger = false;

// -- the connection --------------------------------------------------------------------------------------

async function connect() {
  openedAt = Date.now();
  if (source) source.close();
  if ((await whatWeMay()) === "nothing") return;
  if (source) source.close(); // another may have been opened while we asked
  source = new EventSource(`/events?nose=${wide.matches ? "left" : "up"}`);
  source.onmessage = (event) => {
    heardAt = Date.now();
    show(JSON.parse(event.data));
    check();
  };
  source.onerror = () => source.close(); // `check` opens the next one
}

function check() {
  const silent = Date.now() - heardAt;
  const lost = heardAt === 0 || silent > SILENT_MS || source?.readyState === EventSource.CLOSED;
  document.body.classList.toggle("lost", lost);
  for (const button of document.querySelectorAll("[data-verb], #aim, #heights-form button")) button.disabled = lost;
  byId("link").textContent = stranger ? "not paired" : !lost ? "live" : heardAt ? `no connection for ${age(silent)}` : "connecting";
  if (lost && Date.now() - openedAt > AGAIN_MS) connect();
}

function age(ms) {
  const s = Math.round(ms / 1000);
  if (s < 120) return `${s} s`;
  return s < 7200 ? `${Math.round(s / 60)} min` : `${Math.round(s / 3600)} h`;
}

// -- who we are here -----------------------------------------------------------------------------------------

async function whatWeMay() {
  try {
    const answer = await fetch("/me", { signal: AbortSignal.timeout(3000) });
    return meet((await answer.json()).may);
  } catch {
    return "nothing"; // no connection: `check` tries again, and nothing else is known
  }
}

function meet(may) {
  stranger = may === "nothing";
  byId("pair").hidden = !stranger;
  document.body.classList.toggle("stranger", stranger);
  document.body.classList.toggle("watches", may === "watch");
  check();
  const shown = /^#pair=(\d{6})$/.exec(location.hash);
  if (shown) history.replaceState(null, "", "/"); // a code is told once and kept nowhere
  if (shown && stranger) pair(shown[1]);
  return may;
}

async function pair(code) {
  setText("pair-note", "");
  try {
    const answer = await post("/pair", { code });
    if (!answer.ok) return setText("pair-note", await answer.text());
    byId("code").value = "";
    await connect();
  } catch {
    setText("pair-note", "That did not get through; try again.");
  }
}

byId("pair-form").addEventListener("submit", (event) => {
  event.preventDefault();
  pair(byId("code").value.trim());
});

// -- what is shown ---------------------------------------------------------------------------------------

const SHOW = {
  boot(id) {
    if (boot !== id) lastN = -1; // another daemon: its sentences so far are history
    boot = id;
  },
  car: (text) => setText("car", text || "restpoint"),
  said: showSaid,
  waiting(waiting) {
    waitingText = waiting ? waiting.text : "";
    const cautions = waiting ? waiting.cautions : [];
    setList("mind", cautions);
    byId("mind-sign").hidden = cautions.length === 0;
    byId("mind-sign").firstElementChild.textContent =
      cautions.length === 1 ? "One caution for this step" : `${cautions.length} cautions for this step`;
  },
  advice: showAdvice,
  plan: (svg) => setDrawing("plan", svg),
  pads: (lines) => setList("pads", lines),
  taken(captures) {
    byId("captures").hidden = captures.length === 0;
    setList("taken", captures.map((c) => `${c.text}: ${c.total}${c.discarded ? ", discarded" : ""}`));
    [...byId("taken").children].forEach((item, i) => {
      item.value = captures[i].number;
      item.classList.toggle("discarded", captures[i].discarded);
    });
  },
  results(results) {
    byId("results").hidden = !results;
    if (!results) return;
    setText("results-title", results.title);
    byId("figures").replaceChildren(...results.figures.map(([label, text]) => figure(label, text)));
    setList("notes", results.notes);
    setList("results-mind", results.cautions);
    setDrawing("results-plan", results.plan);
  },
};

function show(state) {
  for (const [key, value] of Object.entries(state)) SHOW[key]?.(value);
  setText("waiting", waitingText === sentences.at(-1)?.text ? "" : waitingText); // not the same thing twice
}

function showSaid(said) {
  sentences = said;
  const last = said.at(-1);
  if (!last) return;
  if (lastN >= 0) for (const sentence of said) if (sentence.n > lastN) mouth.say(sentence);
  lastN = last.n;
  const line = byId("said");
  line.setAttribute("aria-live", last.urgency === "prompt" ? "off" : "polite");
  line.className = last.urgency;
  setText("said", last.text.replaceAll("-", "\u2011")); // "thirty-nine" stays on one line
}

function showAdvice(advice) {
  byId("advice").hidden = !advice;
  if (!advice) return;
  setText("advice-action", advice.action);
  setText("advice-why", advice.why);
  byId("advice-stand").hidden = advice.stand.length === 0;
  byId("advice-stand").caption.textContent = advice.facing ? `The car faces ${advice.facing}` : "";
  byId("advice-stand").tBodies[0].replaceChildren(...advice.stand.map(standRow));
  byId("heights-form").hidden = advice.wants !== "heights";
  byId("stand").hidden = !advice.moves;
  byId("skip").hidden = !advice.may_skip;
  if (document.activeElement !== byId("aim")) byId("aim").value = advice.aim;
  byId("advice-more").hidden = advice.others.length === 0;
  setList("advice-others", advice.others);
  setList("advice-mind", advice.cautions);
}

function standRow([corner, pad, spot, shim]) {
  const row = document.createElement("tr");
  const head = element("th", corner);
  head.scope = "row";
  row.append(head, element("td", `${pad} on ${spot}`), element("td", shim));
  return row;
}

function setText(id, text) {
  if (byId(id).textContent !== text) byId(id).textContent = text;
}

function setList(id, lines) {
  byId(id).hidden = lines.length === 0;
  byId(id).replaceChildren(...lines.map((line) => element("li", line)));
}

function element(tag, text) {
  const made = document.createElement(tag);
  made.textContent = text;
  return made;
}

function figure(label, text) {
  const pair = document.createElement("div");
  pair.append(element("dt", label), element("dd", text));
  return pair;
}

// -- drawings: what stays is kept, so that discs grow and shrink instead of jumping -------------------------

function setDrawing(id, svg) {
  const place = byId(id);
  if (!svg) return place.replaceChildren();
  const parsed = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
  const fresh = document.importNode(parsed, true);
  if (place.firstChild) become(place.firstChild, fresh);
  else place.append(fresh);
}

function become(old, fresh) {
  if (old.nodeName !== fresh.nodeName || old.childNodes.length !== fresh.childNodes.length) {
    old.replaceWith(fresh);
    return;
  }
  if (old.nodeType === Node.TEXT_NODE) {
    if (old.data !== fresh.data) old.data = fresh.data;
    return;
  }
  for (const name of old.getAttributeNames()) if (!fresh.hasAttribute(name)) old.removeAttribute(name);
  for (const name of fresh.getAttributeNames())
    if (old.getAttribute(name) !== fresh.getAttribute(name)) old.setAttribute(name, fresh.getAttribute(name));
  const children = [...fresh.childNodes];
  [...old.childNodes].forEach((child, i) => become(child, children[i]));
}

// -- commands, voice, wakefulness --------------------------------------------------------------------------

function post(path, body) {
  return fetch(path, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(body),
    signal: AbortSignal.timeout(3000),
  });
}

async function command(verb, argument = "") {
  try {
    const answer = await post(`/do/${verb}`, { argument });
    setText("note", answer.ok ? "" : `${verb}: ${await answer.text()}`);
  } catch {
    setText("note", `${verb}: did not get through; try again`);
  }
}

let trouble = "";
let awake = false;

function tellSound() {
  const voice = trouble ? `Cannot speak here (${trouble}): read instead` : "Speaks";
  setText("sound-state", `${voice} · ${awake ? "screen stays on" : "screen may sleep"}`);
}

const mouth = new Mouth((text) => {
  trouble = text;
  tellSound();
});
const wakefulness = new Wakefulness((got) => {
  awake = got;
  tellSound();
});

byId("start").addEventListener("click", () => {
  byId("start").hidden = true;
  byId("sound").hidden = false;
  mouth.start(sentences.at(-1) ?? { text: "Sound is on.", urgency: "prompt" });
  wakefulness.ask();
  tellSound();
});
for (const button of document.querySelectorAll("[data-verb]"))
  button.addEventListener("click", () => command(button.dataset.verb));
byId("aim").addEventListener("change", (event) => command("aim", event.target.value));
byId("heights-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const told = new FormData(event.target);
  const heights = ["S1", "S2", "S3", "S4"].map((spot) => told.get(spot).trim().replace(",", "."));
  command("heights", `${heights.join(" ")} ${told.get("unit")}`);
});
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState !== "visible") return;
  check();
  if (document.body.classList.contains("lost")) connect();
  if (mouth.started) wakefulness.ask();
});
wide.addEventListener("change", connect);

connect();
setInterval(check, CHECK_MS);
