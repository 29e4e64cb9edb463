// Puts the page together.
import { byId, setText, toPrompt } from "./dom.js";
import { askCylinder, drawActions, send } from "./commands.js";
import { drawCautions, drawContact, drawHead, drawPrompt, drawQuestions, drawVerdict } from "./panels.js";
import { drawEngine } from "./engine.js";
import { drawLeak } from "./leak.js";
import { followHistory, openHistory } from "./history.js";
import { bench, leaking, standingPrompt, state } from "./store.js";
import { listen } from "./stream.js";
import { readInk, runTraces } from "./trace.js";
import { themeSwitch } from "./theme.js";
import { catchUp, speak, voiceSwitch } from "./voice.js";
import { stayAwake } from "./wake.js";

const VIEWS = ["test", "leak", "history"];
const UNDER_WAY = ["cautions", "measuring"];
let shownTrouble;

function draw() {
  const why = drawContact();
  tellTouch(shownTrouble, why);
  shownTrouble = why;
  drawHead();
  drawCautions();
  drawPrompt(why);
  drawQuestions(send);
  drawEngine(bench(), why !== null, askCylinder);
  drawVerdict();
  drawActions();
  drawLeak();
  followHistory(byId("view-history"));
  const one = bench();
  stayAwake(one !== null && (UNDER_WAY.includes(one.test?.phase) || leaking(one)));
}

// Whoever only listens takes silence for nothing new.
function tellTouch(before, why) {
  if (before === null && why !== null) speak({ spoken: "This page is out of touch. Look at the screen.", say: true });
  else if (before && why === null) catchUp(standingPrompt(bench()));
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
    drawLeak();
    return;
  }
  draw();
  if (kind === "prompt" && told.bench === state.current) speak(told.data);
  if (kind === "snapshot") {
    catchUp(standingPrompt(bench()));
    setUp();
  }
}

function route() {
  const wanted = VIEWS.includes(location.hash.slice(1)) ? location.hash.slice(1) : "test";
  for (const view of VIEWS) {
    byId(`view-${view}`).hidden = view !== wanted;
    document.body.dataset.view = wanted;
    if (view === wanted) byId(`to-${view}`).setAttribute("aria-current", "page");
    else byId(`to-${view}`).removeAttribute("aria-current");
  }
  if (wanted === "history") openHistory();
  draw();
}

// Asked for with every new stream, too: the first answer may have been lost, and a server that came back may have another fleet.
async function setUp() {
  const answer = await fetch("/api/setup").catch(() => null);
  if (!answer?.ok) return;
  state.setup = { ...(await answer.json()), known: true };
  byId("logout").hidden = !state.setup.locked;
  byId("notice").hidden = !state.setup.notice;
  setText(byId("notice"), state.setup.notice);
  draw();
  if (!byId("view-history").hidden) openHistory();
}

themeSwitch(byId("theme"), readInk);
voiceSwitch(byId("speak"));
byId("benches").addEventListener("change", (event) => {
  state.current = event.target.value;
  readInk();
  draw();
});
byId("skip").addEventListener("click", (event) => {
  // The address names the view: followed as a link it would lead to another one.
  event.preventDefault();
  toPrompt({});
});
byId("do-acknowledge").addEventListener("click", () => send({ action: "acknowledge" }));
listen(changed);
addEventListener("hashchange", route);
runTraces();
setInterval(watch, 200);
route();
setUp();
