// Puts the page together.
import { byId, setText } from "./dom.js";
import { askCylinder, drawActions, send } from "./commands.js";
import { drawCautions, drawContact, drawHead, drawPrompt, drawQuestions, drawVerdict } from "./panels.js";
import { drawEngine } from "./engine.js";
import { drawLeak } from "./leak.js";
import { openHistory } from "./history.js";
import { bench, state } from "./store.js";
import { listen } from "./stream.js";
import { readInk, runTraces } from "./trace.js";
import { themeSwitch } from "./theme.js";
import { speak, voiceSwitch } from "./voice.js";

const VIEWS = ["test", "leak", "history"];
let shownTrouble;

function draw() {
  const why = drawContact();
  shownTrouble = why;
  drawHead();
  drawCautions();
  drawPrompt(why);
  drawQuestions(send);
  drawEngine(bench(), why !== null, askCylinder);
  drawVerdict();
  drawActions();
  drawLeak();
}

// Contact is looked after by a clock of its own: nothing arrives to say that nothing arrives.
function watch() {
  if (drawContact() !== shownTrouble) draw();
}

function changed(kind, told) {
  if (kind === "live") return;
  if (kind === "beat") {
    watch();
    drawHead();
    return;
  }
  draw();
  if (kind === "prompt" && told.bench === state.current) speak(told.data);
}

function route() {
  const wanted = VIEWS.includes(location.hash.slice(1)) ? location.hash.slice(1) : "test";
  for (const view of VIEWS) {
    byId(`view-${view}`).hidden = view !== wanted;
    if (view === wanted) byId(`to-${view}`).setAttribute("aria-current", "page");
    else byId(`to-${view}`).removeAttribute("aria-current");
  }
  if (wanted === "history") openHistory();
  draw();
}

async function setUp() {
  const answer = await fetch("/api/setup");
  if (answer.ok) state.setup = await answer.json();
  byId("logout").hidden = !state.setup.locked;
  byId("notice").hidden = !state.setup.notice;
  setText(byId("notice"), state.setup.notice);
}

themeSwitch(byId("theme"), readInk);
voiceSwitch(byId("speak"));
byId("benches").addEventListener("change", (event) => {
  state.current = event.target.value;
  readInk();
  draw();
});
byId("do-acknowledge").addEventListener("click", () => send({ action: "acknowledge" }));
listen(changed);
addEventListener("hashchange", route);
runTraces();
setInterval(watch, 200);
await setUp().catch(() => {});
route();
