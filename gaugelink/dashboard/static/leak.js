// Leak-down: the one under way, and the results.
import { axisFont, byId, el, letterSize, setText, sign, toPrompt } from "./dom.js";
import { clock, fromKpa, number, rateWithDoubt, withUnit } from "./units.js";
import { bench, isHeard, leakOf, leaking, namesOf, standingPrompt, state, unitOf } from "./store.js";
import { send } from "./commands.js";
import { drawBeginning } from "./leakbegin.js";
import { askFound } from "./leakfound.js";
import { joined } from "./sentence.js";

let chart = null;
let drawn = "";

const perMinute = (kpaPerS, doubtKpaPerS, unit) => rateWithDoubt(60 * kpaPerS, 60 * (doubtKpaPerS ?? 0), unit);

// Built once: Stop must stay where the finger or the focus is, however often the pressure is told.
function buildNow() {
  return [
    el("div", { id: "leak-now" },
      el("p", { id: "leak-reads", class: "large" }), el("p", { id: "leak-rate" }), el("p", { id: "leak-note", role: "status" })),
    el("button", { type: "button", id: "leak-stop", onclick: () => send({ action: "stop_decay" }) }, "Stop"),
  ];
}

function rateNow(progress, unit) {
  const rate = progress.rate_kpa_per_s === null
    ? "" : ` Losing ${perMinute(progress.rate_kpa_per_s, progress.rate_u_kpa_per_s, unit)}.`;
  const left = progress.remaining_s === null ? "" : `, ${Math.ceil(progress.remaining_s)} s to go`;
  return `${Math.round(progress.elapsed_s)} s${left}.${rate}`;
}

function drawNow(one, unit) {
  const active = leaking(one);
  const progress = active ? one.progress : null;
  const hadFocus = document.activeElement === byId("leak-stop");
  byId("leak-stop").hidden = !active;
  if (hadFocus && !active) toPrompt();
  const heard = isHeard(progress?.gauge);
  const reads = progress ? `${leakOf(one)}: ${heard ? withUnit(progress.pressure_kpa, unit, 1) : "–"}` : active ? leakOf(one) : "";
  setText(byId("leak-reads"), reads);
  setText(byId("leak-rate"), progress ? (heard ? rateNow(progress, unit) : `${progress.gauge} is not heard.`) : "");
  setText(byId("leak-note"), active ? (progress?.note ?? "") : "No leak-down is under way.");
}

const PASSED = { pass: ["agreed", "passes"], fail: ["problem", "fails"], open: ["watch", "not certain"] };

function result(decay, unit) {
  const loss = decay.leak_percent !== null
    ? `${decay.leak_percent.toFixed(1)} % ± ${(decay.leak_u_percent ?? 0).toFixed(1)} loss`
    : decay.rate_kpa_per_s !== null
      ? perMinute(decay.rate_kpa_per_s, decay.rate_u_kpa_per_s, unit)
      : "no rate";
  const what = decay.cylinder ? `Cylinder ${decay.cylinder}` : decay.part || decay.gauge;
  const whose = decay.cylinder ? `cylinder ${decay.cylinder}` : `the ${decay.part || "volume"}`;
  const machine = state.setup.machines.find((one) => one.id === decay.machine)?.name ?? decay.machine;
  const [shape, word] = PASSED[decay.verdict] ?? PASSED.open;
  return el(
    "li", { "data-verdict": decay.verdict || "open" },
    el("p", { class: "large" }, sign(shape), ` ${what} ${word}: ${loss}`),
    el("p", { class: "quiet" }, [machine, clock(new Date(decay.ended_at ?? decay.at))].filter(Boolean).join(", ")),
    el("p", {}, `${number(decay.start_kpa, unit, 1)} to ${withUnit(decay.end_kpa, unit, 1)} in ${Math.round(decay.duration_s)} s. ${decay.text}`),
    decay.where ? el("p", {}, `Air ${decay.heard.length ? "" : "found: "}${decay.where}`) : null,
    decay.doubts.length ? el("p", { class: "quiet" }, `Doubts: ${decay.doubts.join(", ")}`) : null,
    state.setup.leak_tests === null ? null
      : el("button", { type: "button", "aria-label": `Where the air of ${whose} goes`, onclick: () => askFound(decay, whose) }, "Where its air goes…"),
  );
}

export function drawLeak() {
  const view = byId("view-leak");
  const one = bench();
  if (view.hidden || one === null) return;
  const unit = unitOf(one.test);
  const prompt = standingPrompt(one);
  const shown = JSON.stringify([one.name, prompt?.text, prompt?.urgency, leaking(one), one.leak, one.progress, isHeard(one.progress?.gauge), [...one.decays.values()].map((decay) => decay.id), one.test?.test_id, unit, state.setup.machines.length]);
  if (shown === drawn) return;
  drawn = shown;
  if (!view.hasChildNodes()) {
    view.append(
      el("h2", {}, "Leak-down"), el("p", { id: "leak-prompt", "aria-live": "assertive", tabindex: "-1" }), ...buildNow(), el("div", { id: "leak-plot", class: "plot", "aria-hidden": "true" }),
      el("div", { id: "leak-begin" }), el("h3", {}, "Results"), el("ul", { id: "leak-results" }), el("p", { id: "leak-none", class: "quiet" }),
    );
  }
  // What is to be done about the air is said here too: nobody turns to another view to be told to stop.
  setText(byId("leak-prompt"), joined(prompt?.text ?? "", namesOf(one.test)));
  byId("leak-prompt").dataset.urgency = prompt?.urgency ?? "know";
  drawNow(one, unit);
  drawBeginning(one);
  const results = [...one.decays.values()].reverse().map((decay) => result(decay, unit));
  byId("leak-results").replaceChildren(...results);
  setText(byId("leak-none"), one.decays.size ? "" : "No result since this page's server began to listen.");
  drawDecay(one, unit);
}

// Decimals that tell the numbers of an axis from each other.
const decimalsOf = (step) => Math.max(0, -Math.floor(Math.log10(step) + 1e-9));

function drawDecay(one, unit) {
  const { t, kpa } = one.decaying;
  const box = byId("leak-plot");
  box.hidden = t.length < 2;
  if (box.hidden) return;
  const data = [t, kpa.map((value) => fromKpa(value, unit))];
  if (chart !== null && chart.root.parentElement === box) {
    chart.setData(data);
    return;
  }
  const style = getComputedStyle(document.documentElement);
  const axis = { stroke: style.getPropertyValue("--faint"), grid: { stroke: style.getPropertyValue("--rule"), width: 1 }, font: axisFont() };
  chart = new uPlot(
    { width: Math.max(200, box.clientWidth), height: 240, legend: { show: false }, cursor: { show: false }, scales: { x: { time: false } },
      axes: [
        { ...axis, values: (plot, splits) => splits.map((at) => `${at} s`) },
        { ...axis, size: 5.5 * letterSize(), values: (plot, splits, axisAt, space, step) => splits.map((at) => `${at.toFixed(decimalsOf(step))} ${unit}`) },
      ],
      series: [{}, { stroke: style.getPropertyValue("--metal"), width: 2 }] },
    data, box,
  );
}
