// The engine as it lies: bores along the crankshaft, and on each one the staircase of its strokes.
import { byId, el, setText, sign, svg } from "./dom.js";
import { number, withDoubt, withUnit, words } from "./units.js";
import { machineOf, unitOf } from "./store.js";

const STATUS = {
  waiting: "waiting", in_progress: "in progress", agreed: "agreed", odd: "odd", unsure: "unsure", skipped: "skipped",
};
const MOST_STEPS = 12; // More would be too narrow to see.
const SIDE = 0.2; // Share of a staircase on each side of a number in it, which is under the steps between them.
const LEAST_INSIDE = 0.32; // Height of those steps, as a share of the stage, from which on a number has room under them.

let drawn = new Map();
let scaleTop = 1;

const ruler = document.createElement("canvas").getContext("2d");

// How far a name reaches, in ems, from corner to corner where each of its words is a line: what has to fit into a bore.
function reachOf(name) {
  const size = 100;
  ruler.font = `700 ${size}px ${getComputedStyle(document.body).fontFamily}`;
  const wordsOf = name.trim().split(/\s+/);
  const widest = Math.max(...wordsOf.map((word) => ruler.measureText(word).width)) / size;
  return Math.max(1, Math.hypot(widest, wordsOf.length));
}

function makeCylinder(name, asked) {
  const parts = {
    least: el("small"),
    number: el("span", { class: "number" }),
    stair: svg("svg", { viewBox: "0 0 100 100", preserveAspectRatio: "none", class: "stair", "aria-hidden": "true" }),
    ring: svg("circle", { cx: 50, cy: 50, r: 45, class: "ring", pathLength: 100 }),
    name: el("span", { class: "name" }, name),
    status: el("span", { class: "status" }),
    interval: el("span", { class: "interval" }),
    pulls: el("span", { class: "pulls" }),
    shown: "",
  };
  const bore = svg("svg", { viewBox: "0 0 100 100", class: "bore", "aria-hidden": "true" });
  parts.name.style.setProperty("--reach", reachOf(name).toFixed(2));
  bore.append(svg("circle", { cx: 50, cy: 50, r: 45, class: "wall" }), parts.ring);
  parts.value = el("span", { class: "value" }, parts.least, parts.number);
  parts.stage = el("span", { class: "stage" }, parts.stair, parts.value);
  parts.button = el(
    "button",
    { type: "button", class: "cylinder", onclick: () => asked(name) },
    parts.stage,
    el("span", { class: "shaft" }, el("span", { class: "barrel" }, bore, parts.name)),
    parts.status, parts.interval, parts.pulls,
  );
  parts.item = el("li", {}, parts.button);
  return parts;
}

function inPhysicalOrder(test) {
  return [...test.cylinders].sort((one, other) => one.place - other.place);
}

function stepsOf(one, cylinder) {
  const counted = cylinder.readings.filter((reading) => reading.counted && one.events.has(reading.event_id));
  const last = counted[counted.length - 1];
  if (!last) return [];
  let level = 0;
  const steps = one.events.get(last.event_id).strokes.map((stroke) => (level = Math.max(level, stroke.peak_kpa)));
  return steps.length > MOST_STEPS ? [...steps.slice(0, MOST_STEPS - 1), steps[steps.length - 1]] : steps;
}

const doubtsOf = (cylinder) => [...new Set(cylinder.readings.filter((pull) => pull.counted).flatMap((pull) => pull.doubts))];

// Why readings may be doubted, those of the same doubts in one sentence. It is beneath all of them: a line more in one
// place would bend the crankshaft.
function doubtWords(cylinders) {
  const alike = new Map();
  for (const cylinder of cylinders) {
    const doubts = doubtsOf(cylinder).join(", ");
    if (doubts) alike.set(doubts, [...(alike.get(doubts) ?? []), cylinder.name]);
  }
  return [...alike].map(([doubts, names]) => `${names.join(", ")}: ${doubts}.`).join(" ");
}

const y = (kpa) => (100 - (100 * kpa) / scaleTop).toFixed(2);

function drawStair(parts, one, test, cylinder) {
  const { pressure_kpa: reading, pressure_u_kpa: interval } = cylinder;
  const children = [];
  if (test.band_low_kpa !== null) {
    const high = y(Math.min(test.band_high_kpa ?? scaleTop, scaleTop));
    const low = y(test.band_low_kpa);
    children.push(svg("rect", { x: 0, width: 100, y: high, height: Math.max(0, low - high), class: "band" }));
    children.push(svg("path", { d: `M0 ${low}H100`, class: "band-edge" }));
    if (test.band_high_kpa !== null) children.push(svg("path", { d: `M0 ${high}H100`, class: "band-edge" }));
  }
  if (reading !== null) {
    const steps = [...stepsOf(one, cylinder).slice(0, -1).map((level) => Math.min(level, reading)), reading];
    parts.lintel = steps[Math.floor(SIDE * steps.length)];
    const width = 64 / steps.length;
    let path = "M18 100";
    steps.forEach((level, index) => {
      path += `V${y(level)}H${(18 + width * (index + 1)).toFixed(2)}`;
    });
    children.push(svg("path", { d: `${path}V100Z`, class: "steps" }));
    children.push(svg("path", { d: `M${(82 - width).toFixed(2)} ${y(reading)}H82`, class: "tread" }));
    if (interval !== null) {
      children.push(svg("path", { d: `M82 ${y(reading - interval)}V${y(reading + interval)}`, class: "whisker" }));
    }
  }
  children.push(svg("path", { d: "M0 100H100", class: "deck" }));
  parts.level = svg("path", { d: "M10 100H90", class: "level" });
  children.push(parts.level);
  parts.stair.replaceChildren(...children);
}

function drawCylinder(parts, one, test, cylinder, stale) {
  const unit = unitOf(test);
  const { pressure_kpa: reading, pressure_u_kpa: interval, status } = cylinder;
  drawStair(parts, one, test, cylinder);
  parts.item.dataset.status = status;
  parts.item.dataset.next = String(test.next_cylinder === cylinder.name && !test.closed);
  const read = reading !== null;
  const [value, doubt] = read ? withDoubt(reading, interval ?? 0, unit) : ["–", ""];
  setText(parts.number, value);
  setText(parts.least, cylinder.at_least ? "at least " : "");
  parts.value.style.setProperty("--letters", Math.max(3, value.length));
  parts.value.classList.toggle("none", !read);
  // Above its tread the number of a reading that is below the maker's range would stand in that range.
  const under = read && test.band_low_kpa !== null && reading + (interval ?? 0) < test.band_low_kpa && parts.lintel > LEAST_INSIDE * scaleTop;
  parts.value.classList.toggle("inside", under);
  parts.value.style.top = under ? `${y(parts.lintel)}%` : "";
  parts.value.style.bottom = under ? "" : `${read ? Math.max(1.5, (100 * (reading + (interval ?? 0))) / scaleTop + 1) : 2}%`;
  parts.status.replaceChildren(sign(status), STATUS[status] ?? words(status));
  setText(parts.interval, read && interval !== null ? `± ${doubt} ${unit}` : "");
  const counted = cylinder.readings.filter((pull) => pull.counted);
  const taken = Math.min(counted.length, test.repeats);
  parts.ring.setAttribute("stroke-dasharray", `${(100 * taken) / Math.max(1, test.repeats)} 100`);
  parts.pulls.replaceChildren(
    ...cylinder.readings.slice(-5).map((pull) => {
      const text = number(pull.peak_kpa, unit);
      return pull.counted ? el("span", {}, text) : el("s", {}, text);
    }),
  );
  const doubts = doubtsOf(cylinder);
  const said = read ? `${cylinder.at_least ? "at least " : ""}${value} ${unit} plus or minus ${doubt}` : "no reading";
  parts.button.setAttribute(
    "aria-label",
    `Cylinder ${cylinder.name}: ${said}, ${STATUS[status] ?? status}${doubts.length ? `, ${doubts.join(", ")}` : ""}` +
      `${stale ? ", old" : ""}. Show what can be done.`,
  );
}

// The green range in numbers, as it is for the air pressure here.
function rangeWords(test) {
  if (!test || test.band_low_kpa === null) return "";
  const { band_low_kpa: low, band_high_kpa: high } = test;
  const unit = unitOf(test);
  return `Maker's range, for here: ${high === null ? `${withUnit(low, unit)} and more` : `${number(low, unit)} to ${withUnit(high, unit)}`}`;
}

export function drawEngine(one, stale, asked) {
  const test = one?.test ?? null;
  const list = byId("cylinders");
  byId("no-test").hidden = test !== null || !one?.availability;
  list.hidden = test === null;
  setText(byId("range"), rangeWords(test));
  byId("range").hidden = byId("range").textContent === "";
  if (test === null) {
    setText(byId("doubts"), "");
    return;
  }
  setText(byId("engine-title"), `Cylinders, ${unitOf(test)}`);
  const cylinders = inPhysicalOrder(test);
  const shown = cylinders.map((cylinder) => cylinder.name).join("\n");
  if (list.dataset.shown !== shown) {
    drawn = new Map(cylinders.map((cylinder) => [cylinder.name, makeCylinder(cylinder.name, asked)]));
    list.replaceChildren(...[...drawn.values()].map((parts) => parts.item));
    list.dataset.shown = shown;
    list.style.setProperty("--count", cylinders.length);
    // On a narrow screen a long engine lies in two rows or more, a bank in each where there are two.
    const row = Math.ceil(cylinders.length / 2);
    list.style.setProperty("--columns", cylinders.length <= 4 ? cylinders.length : Math.min(row, 4));
  }
  const machine = machineOf(test);
  list.dataset.layout = machine?.layout ?? "listed";
  const banks = new Map((machine?.cylinders ?? []).map((cylinder) => [cylinder.name, cylinder.bank]));
  const first = machine?.cylinders[0]?.bank ?? null;
  list.dataset.banks = String([...banks.values()].some((bank) => bank !== first));
  const tops = cylinders.map((cylinder) => (cylinder.pressure_kpa ?? 0) + (cylinder.pressure_u_kpa ?? 0));
  setText(byId("doubts"), doubtWords(cylinders));
  // Above the highest there is room for its number, and for "at least" where that stands.
  scaleTop = (cylinders.some((cylinder) => cylinder.at_least) ? 1.7 : 1.38) * Math.max(200, test.band_high_kpa ?? test.band_low_kpa ?? 0, ...tops);
  for (const cylinder of cylinders) {
    const parts = drawn.get(cylinder.name);
    parts.item.dataset.bank = banks.get(cylinder.name) === first || !banks.has(cylinder.name) ? "0" : "1";
    drawCylinder(parts, one, test, cylinder, stale);
  }
}

// The pressure that stands at the gauge now, as a line on the cylinder whose turn it is.
export function drawLevel(test, kpa) {
  for (const [name, parts] of drawn) {
    const here = test !== null && name === test.next_cylinder && kpa > 0.02 * scaleTop;
    parts.level?.setAttribute("d", here ? `M10 ${y(Math.min(kpa, scaleTop))}H90` : "M0 100");
  }
}
