// What a thumb can ask for. Every press is answered by the bench, and the answer is shown.
import { byId, el, setText, toPrompt } from "./dom.js";
import { field, numberField } from "./fields.js";
import { day, withUnit } from "./units.js";
import { againOf, bench, machineOf, questionsLeft, state, unitOf } from "./store.js";

let fading = 0;

function show(ok, text) {
  const box = byId("result");
  box.dataset.ok = String(ok);
  setText(box, `${ok ? "Done" : "Not done"}: ${text}`);
  clearTimeout(fading);
  fading = setTimeout(() => setText(box, ""), 9000);
}

// A random UUID (RFC 9562, version 4); `crypto.randomUUID` is missing where the page is not served from loopback or HTTPS.
function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}

export async function send(command) {
  const box = byId("result");
  box.dataset.ok = "";
  setText(box, "Asked…");
  let answer;
  try {
    const response = await fetch(`/api/benches/${encodeURIComponent(state.current)}/command`, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ id: newId(), ...command }),
    });
    answer = await response.json();
  } catch {
    answer = { ok: false, text: "The page's server was not reached." };
  }
  show(answer.ok, answer.text);
  return answer.ok;
}

export function ask(title, ...body) {
  const dialog = byId("ask");
  setText(byId("ask-title"), title);
  byId("ask-body").replaceChildren(el("div", {}, ...body), el("button", { type: "button", class: "wide", onclick: () => dialog.close() }, "Close"));
  if (!dialog.open) dialog.showModal();
}

export const close = () => byId("ask").close();

function button(text, command, kind = "") {
  return el("button", { type: "button", class: `wide ${kind}`, onclick: () => { close(); send(command); } }, text);
}

// The reading that came last, of those that stand somewhere, or only of those that were `given` to a cylinder: what is
// offered names what it would change.
function lastRead(given = false) {
  const one = bench();
  const places = new Map((given ? [] : (one?.test?.held_events ?? [])).map((id) => [id, null]));
  for (const cylinder of one?.test?.cylinders ?? []) for (const reading of cylinder.readings) places.set(reading.event_id, cylinder.name);
  const id = [...(one?.events.keys() ?? [])].reverse().find((event) => places.has(event));
  return id === undefined ? null : { id, cylinder: places.get(id), what: withUnit(one.events.get(id).peak_kpa, unitOf(one.test)) };
}

// The cylinder that is measured again where none is named: of a test that is done one that the verdict asks for, else by
// the bench's own rule the one under way, or the last one that was read.
function redone(test) {
  const asked = test?.phase === "done" ? againOf(test) : [];
  if (asked.length && !asked.includes(lastRead(true)?.cylinder)) return asked[0];
  const read = (name) => test?.cylinders.some((one) => one.name === name && one.readings.length > 0);
  return read(test?.next_cylinder) ? test.next_cylinder : (lastRead(true)?.cylinder ?? null);
}

export function askCylinder(name) {
  const test = bench()?.test;
  const cylinder = test?.cylinders.find((one) => one.name === name);
  if (!cylinder) return;
  const unit = unitOf(test);
  const told = (one) => [withUnit(one.peak_kpa, unit), ...(one.counted ? [] : ["left out, it does not agree"]), ...one.doubts].join(", ");
  const readings = cylinder.readings.filter((one) => one.event_id);
  if (test.phase === "cautions") {
    ask(`Cylinder ${name}`, ...readings.map((one) => el("p", {}, told(one))), el("p", {}, "Nothing can be done before the cautions are acknowledged."));
    return;
  }
  const last = lastRead();
  ask(
    `Cylinder ${name}`,
    test.closed ? el("p", {}, "The test is closed: take that back to measure again.")
      : button(`Measure ${name} again`, { action: "redo", cylinder: name }, "main"),
    !test.closed && ["waiting", "in_progress"].includes(cylinder.status) ? button(`Skip ${name}`, { action: "skip", cylinder: name }) : null,
    last === null ? button(`The last reading was ${name}`, { action: "assign", cylinder: name })
      : last.cylinder === name ? null
        : button(`The last reading, ${last.what}, was ${name}`, { action: "assign", cylinder: name, event_id: last.id }),
    ...readings.map((one) => button(`Strike ${told(one)}`, { action: "strike", event_id: one.event_id })),
  );
}

function askAssign() {
  const test = bench()?.test;
  if (!test) return;
  const unit = unitOf(test);
  const last = lastRead();
  const all = test.cylinders.flatMap((cylinder) => cylinder.readings.filter((one) => one.event_id).map((one) => [one, cylinder.name]));
  const pick = el(
    "select", { id: "which", "aria-label": "Reading" },
    el("option", { value: last?.id ?? "" }, last === null ? "the last reading" : `last: ${last.what}${last.cylinder === null ? "" : ` on ${last.cylinder}`}`),
    ...all.filter(([one]) => one.event_id !== last?.id).map(([one, name]) => el("option", { value: one.event_id }, `${withUnit(one.peak_kpa, unit)} on ${name}`)),
  );
  const assign = (cylinder) => {
    close();
    send({ action: "assign", cylinder, ...(pick.value ? { event_id: pick.value } : {}) });
  };
  const other = el("select", { id: "other", "aria-label": "Exchange with" }, ...test.cylinders.map((one) => el("option", {}, one.name)));
  const first = el("select", { id: "first", "aria-label": "Exchange" }, ...test.cylinders.map((one) => el("option", {}, one.name)));
  const exchange = () => {
    close();
    send({ action: "exchange", cylinder: first.value, other: other.value });
  };
  if (test.cylinders.length > 1) other.selectedIndex = 1;
  ask(
    "Which cylinder was it?",
    el("label", { for: "which" }, "This reading"), pick,
    el("div", { class: "row" }, ...[...test.cylinders].sort((a, b) => a.place - b.place).map((one) =>
      el("button", { type: "button", class: "main", onclick: () => assign(one.name) }, one.name))),
    el("fieldset", {}, el("legend", {}, "Two cylinders were mixed up"),
      el("div", { class: "row" }, first, el("span", {}, "and"), other, el("button", { type: "button", onclick: exchange }, "Exchange"))),
  );
}

// Each with the test that is looked at: another may have been begun since, and the bench may not have this one any more.
// With its id only the giving up is taken back; a finished test is opened again as any last change is undone.
const givingUp = (test) => ({ action: "abandon", test_id: test.test_id });
const takingBack = (test) => ({ action: "take_back", ...(test?.phase === "abandoned" ? { test_id: test.test_id } : {}) });

function askFinish() {
  const test = bench()?.test;
  const left = (test?.cylinders ?? []).filter((one) => ["waiting", "in_progress"].includes(one.status)).map((one) => one.name);
  const asked = questionsLeft(test);
  if (!left.length && !asked) return send({ action: "finish" });
  return ask(
    "Finish the test?",
    left.length ? el("p", {}, `Not settled yet: ${left.join(", ")}.`) : null,
    asked ? el("p", {}, `${asked}: a reading on no cylinder counts nowhere.`) : null,
    button("Finish with what there is", { action: "finish" }, "main"),
    button("Give it up: it proves nothing", givingUp(test)),
  );
}

export function askBegin() {
  const wet = el("input", { type: "checkbox", id: "wet" });
  const repeats = el("select", { id: "repeats" },
    ...["", 1, 2, 3, 4, 5].map((count) => el("option", { value: count }, count === "" ? "as the shop does" : String(count))));
  const [count, readCount] = numberField("odometer", "", { least: 0, most: 1e7, unit: "", required: false, decimals: 2 });
  const begin = (machine) => {
    if (!count.reportValidity()) return;
    close();
    send({
      action: "begin", machine, ...(wet.checked ? { kind: "wet" } : {}), ...(repeats.value ? { repeats: Number(repeats.value) } : {}),
      ...(readCount() === null ? {} : { odometer: readCount() }),
    });
  };
  ask(
    "Begin a test",
    el("p", {}, el("label", { class: "check" }, wet, " Wet: oil in each cylinder")),
    el("p", {}, el("label", { for: "repeats" }, "Readings that must agree "), repeats),
    field("odometer", "The machine's odometer or hour meter, if you read it ", count),
    ...state.setup.machines.map((machine) =>
      el("button", { type: "button", class: "wide main", onclick: () => begin(machine.id) }, machine.name, el("small", {}, machine.engine))),
    state.setup.machines.length ? null : el("p", {}, "The fleet file has no machine."),
  );
}

function askGiveUp() {
  const test = bench().test;
  return ask(
    "Give the test up?",
    el("p", {}, `${machineOf(test)?.name ?? test.machine}, begun ${day(test.began_at)}.`),
    test.closed ? el("p", {}, "It stays in the record and counts in no history any more, until that is taken back.") : null,
    button("Give it up: it proves nothing", givingUp(test), "main"),
  );
}

// Nothing else acts before the cautions are acknowledged, so nothing else is offered.
const begun = (test) => test && !test.closed && test.phase !== "cautions";

// Each with its words, which name what it is about, when it is offered, and what it does.
const BUTTONS = [
  ["begin", () => "Begin a test", (test) => !test || test.closed || test.phase === "done", askBegin],
  ["redo", (test) => `Redo ${redone(test) ?? "the last"}`, begun, () => send({ action: "redo", ...(redone(bench()?.test) ? { cylinder: redone(bench().test) } : {}) })],
  ["skip", (test) => `Skip ${test?.next_cylinder ?? ""}`.trim(), (test) => test?.phase === "measuring", () => send({ action: "skip" })],
  ["assign", () => "Move a reading…", begun, askAssign],
  ["strike", () => `Strike ${lastRead()?.what ?? "the last"}`, begun, () => send({ action: "strike", ...(lastRead() ? { event_id: lastRead().id } : {}) })],
  ["take-back", () => "Take back", (test) => begun(test) || test?.closed === true, () => send(takingBack(bench()?.test))],
  ["finish", () => "Finish", begun, askFinish],
  ["give-up", () => "Give it up", (test) => ["cautions", "done", "finished"].includes(test?.phase), askGiveUp],
];

// What stands in the one row that a phone has room for; the rest is behind "More".
const FIRST = { cautions: ["give-up"], measuring: ["redo", "skip"], done: ["begin", "finish"] };
const ALWAYS = ["begin"];

function openMore(open) {
  byId("actions").dataset.open = String(open);
  byId("do-more").setAttribute("aria-expanded", String(open));
  setText(byId("do-more"), open ? "Less" : "More");
}

// A command behind "More" is out of sight once it was pressed; a question that it puts gives the focus back to "More".
function press(act) {
  openMore(false);
  if (!document.activeElement?.checkVisibility()) byId("do-more").focus();
  act();
}

export function drawActions() {
  const test = bench()?.test ?? null;
  const box = byId("actions");
  const focused = box.contains(document.activeElement) ? document.activeElement : null;
  if (!box.hasChildNodes()) {
    box.append(
      ...BUTTONS.map(([id, , , act]) =>
        el("button", { type: "button", id: `do-${id}`, onclick: () => press(act) })),
      el("button", { type: "button", id: "do-more", "aria-controls": "actions", onclick: () => openMore(box.dataset.open !== "true") }),
    );
    openMore(false);
  }
  const fitting = BUTTONS.filter(([, , fits]) => fits(test)).map(([id]) => id);
  const again = test?.phase === "done" && againOf(test).length > 0;
  const first = again ? ["redo", "finish"] : (FIRST[test?.phase] ?? ALWAYS);
  for (const [id, text] of BUTTONS) {
    setText(byId(`do-${id}`), text(test));
    byId(`do-${id}`).hidden = !fitting.includes(id);
    byId(`do-${id}`).dataset.first = String(first.includes(id));
  }
  byId("do-more").hidden = fitting.every((id) => first.includes(id));
  if (focused?.checkVisibility() === false) toPrompt();
  // One press is the one to make next: read again what asks for it, then finish what is done before another test begins.
  const done = test?.phase === "done" && !questionsLeft(test);
  byId("do-redo").classList.toggle("main", done && again);
  byId("do-finish").classList.toggle("main", done && !again);
  byId("do-begin").classList.toggle("main", !test || test.closed);
}
