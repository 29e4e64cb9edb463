// What stands around the engine: prompt, questions, verdict, what comes next, the gauges.
import { byId, el, setText, sign, toPrompt } from "./dom.js";
import { clock, day, withDoubt, withUnit, words } from "./units.js";
import { bench, isHeard, machineOf, namesOf, againOf, questionsLeft, questionsOf, standingPrompt, state, trouble, unitOf } from "./store.js";
import { seasonsOf } from "./seasons.js";
import { joined, namesIn } from "./sentence.js";

const MEANING = {
  consistent: "nothing asks for attention",
  watch: "something is worth watching",
  investigate: "something asks for a look",
  retest: "these readings cannot carry a judgement",
};
const PHASES = { cautions: "cautions first", measuring: "measuring", done: "done", finished: "finished", abandoned: "given up" };

export function drawContact() {
  const why = trouble();
  const one = bench();
  if (why === null) one.inTouchAt = state.heardAt;
  // The time stands still while nothing is heard of the bench, or it would claim what is not, and be told each second.
  const since = one?.inTouchAt ? ` What stands here was heard at ${clock(one.inTouchAt)}.` : "";
  document.body.dataset.stale = String(why !== null);
  const box = byId("contact");
  if (box.textContent !== (why === null ? "" : `${why}${since}`)) {
    // In the view of the test the prompt says why; once is enough, for eye and ear.
    box.replaceChildren(...(why === null ? [] : [el("span", { class: "why" }, why), ...(since ? [el("span", { class: "since" }, since)] : [])]));
  }
  return why;
}

export function drawPrompt(why) {
  const prompt = standingPrompt(bench());
  const standing = joined(prompt?.text ?? "", namesOf(bench()?.test));
  const urgency = why !== null ? "problem" : prompt?.asks ? "ask" : (prompt?.urgency ?? "know");
  const box = byId("prompt");
  if (box.dataset.urgency !== urgency || !byId("prompt-sign").hasChildNodes()) {
    box.dataset.urgency = urgency;
    byId("prompt-sign").replaceChildren(sign(urgency));
  }
  const text = why ?? (standing || "No prompt yet.");
  box.dataset.long = String(text.length > 58);
  setText(byId("prompt-text"), text);
  byId("prompt-last").hidden = why === null || !standing;
  setText(byId("prompt-last"), why === null ? "" : `The last prompt was: ${standing}`);
}

// Every caution stays in sight, in each view, until somebody acknowledges it.
export function drawCautions() {
  const cautions = bench()?.cautions ?? [];
  const box = byId("cautions");
  const hadFocus = box.contains(document.activeElement);
  box.hidden = cautions.length === 0;
  if (hadFocus && box.hidden) toPrompt();
  const shown = JSON.stringify(cautions);
  if (box.dataset.shown === shown) return;
  box.dataset.shown = shown;
  byId("caution-list").replaceChildren(...cautions.map((caution) => el("li", {}, sign("caution"), cautionWords(caution))));
}

const LONGEST_CAUTION = 180; // Letters, about three lines on a phone: with longer ones the button would be out of sight.

// A note of the machine may be of any length: what is too long is opened by a press.
function cautionWords(caution) {
  if (caution.length <= LONGEST_CAUTION) return el("span", {}, caution);
  // Behind a sentence where one ends in the second half of what there is room for, for there the line breaks.
  const room = LONGEST_CAUTION - 20;
  const ends = [caution.lastIndexOf(". ", room) + 1, caution.lastIndexOf(" ", room), room];
  const cut = ends.find((end) => end > room / 2);
  return el("details", {}, el("summary", {}, caution.slice(0, cut), el("span", { class: "more" }, " … "), el("u", {}, "read all")), caution.slice(cut));
}

// What waits for somebody at a bench that is not the one shown; empty where nothing does.
function waitsAt(one) {
  if (one.availability !== "online") return one.availability === null ? "" : "offline";
  const prompt = standingPrompt(one);
  if (prompt?.urgency === "problem") return prompt.text;
  return one.cautions.length ? "cautions first" : questionsLeft(one.test);
}

function drawElsewhere() {
  const waiting = [...state.benches.values()]
    .filter((one) => one.name !== state.current)
    .map((one) => [one.name, waitsAt(one)])
    .filter(([, what]) => what);
  byId("elsewhere").hidden = waiting.length === 0;
  setText(byId("elsewhere"), waiting.map(([name, what]) => `${name}: ${what}`).join("; "));
}

export function drawHead() {
  const one = bench();
  const test = one?.test ?? null;
  const many = state.benches.size > 1;
  setText(byId("bench"), state.current ?? "gaugelink");
  byId("bench").hidden = many;
  const select = byId("benches");
  select.hidden = !many;
  if (select.options.length !== state.benches.size) {
    select.replaceChildren(...[...state.benches.keys()].map((name) => el("option", { value: name }, name)));
  }
  select.value = state.current ?? "";
  drawElsewhere();
  const machine = machineOf(test)?.name ?? test?.machine ?? "";
  const asked = test && !test.next_cylinder ? questionsLeft(test) : "";
  // A long name gives way, what is being done does not.
  const subject = test ? [machine, `, ${test.kind} test, ${asked || (PHASES[test.phase] ?? test.phase)}`] : ["", one?.availability ? "no test" : ""];
  setText(byId("subject-machine"), subject[0]);
  setText(byId("subject-state"), subject[1]);
  // A test stays open: one of another day is not taken for one of this machine as it stands here now.
  const began = test && day(test.began_at) !== day(Date.now()) ? `begun ${day(test.began_at)}` : "";
  byId("began").hidden = began === "";
  setText(byId("began"), began);
  document.title = test ? `${machine}: ${state.current}` : `gaugelink: ${state.current ?? ""}`;
  drawGauges(one);
}

function drawGauges(one) {
  const gauges = Object.values(one?.gauges ?? {}).map((gauge) => {
    const heard = isHeard(gauge.gauge);
    const said = [gauge.phase === "streaming" && !heard ? "not heard" : words(gauge.phase)];
    if (gauge.battery_percent !== null) said.push(`battery ${Math.round(gauge.battery_percent)} %`);
    // Each fault is a sentence of its own.
    const faults = gauge.faults.length ? `. ${gauge.faults.join(" ")}` : "";
    return [gauge.gauge, ` ${said.join(", ")}${faults}`, heard && !gauge.faults.length];
  });
  const box = byId("gauges");
  const shown = JSON.stringify(gauges);
  // Whoever has the list read aloud is not thrown out of it with every beat.
  if (box.dataset.shown === shown) return;
  box.dataset.shown = shown;
  box.replaceChildren(
    ...gauges.map(([name, text, well]) =>
      el("li", { "data-well": String(well) }, sign(well ? "agreed" : "problem"), el("strong", {}, name), text)),
  );
}

function question(one, test, eventId, send) {
  const event = one.events.get(eventId);
  // Two pulls may have read the same: the number tells which of them is meant, or the time where a bench gives none.
  const pull = test.held_pulls[test.held_events.indexOf(eventId)];
  const read = event ? withUnit(event.peak_kpa, unitOf(test)) : "the held reading";
  const what = pull ? `pull ${pull}, ${read}` : event ? `${read}, read at ${clock(new Date(event.at))}` : read;
  const buttons = [...test.cylinders]
    .sort((a, b) => a.place - b.place)
    .map((cylinder) =>
      el(
        "button",
        { type: "button", class: "main", onclick: () => send({ action: "answer", event_id: eventId, cylinder: cylinder.name }) },
        cylinder.name,
      ),
    );
  const strike = el("button", { type: "button", onclick: () => send({ action: "strike", event_id: eventId }) }, "None: strike it");
  return el("div", { class: "question" }, el("p", {}, `Which cylinder was ${what}?`), el("div", { class: "row" }, ...buttons, strike));
}

export function drawQuestions(send) {
  const one = bench();
  const test = one?.test ?? null;
  const box = byId("questions");
  const exchange = one?.prompt?.key === "ask_exchanged" && test && !test.closed;
  const held = questionsOf(test);
  const shown = JSON.stringify([test?.test_id, held, test?.held_pulls, held.map((id) => one.events.has(id)), exchange && one.prompt.id]);
  if (box.dataset.shown === shown) return;
  box.dataset.shown = shown;
  const asked = held.map((id) => question(one, test, id, send));
  if (exchange) {
    const named = namesIn(one.prompt.text, namesOf(test));
    if (named.length === 2) {
      const [cylinder, other] = named;
      asked.push(
        el(
          "div", { class: "question" },
          el("p", {}, `Are ${cylinder} and ${other} exchanged?`),
          el(
            "div", { class: "row" },
            el("button", { type: "button", class: "main", onclick: () => send({ action: "exchange", cylinder, other }) }, "Exchange them"),
          ),
        ),
      );
    }
  }
  const hadFocus = box.contains(document.activeElement);
  box.hidden = asked.length === 0;
  box.replaceChildren(...asked);
  if (hadFocus) toPrompt();
}

// What goes before a spread of which one end is at least what it shows.
function boundOf(test) {
  const read = test.cylinders.filter((one) => one.pressure_kpa !== null).sort((one, other) => one.pressure_kpa - other.pressure_kpa);
  const [low, high] = [Boolean(read[0]?.at_least), Boolean(read[read.length - 1]?.at_least)];
  return low === high ? "" : low ? "at most " : "at least ";
}

export function drawVerdict() {
  const test = bench()?.test ?? null;
  const unit = unitOf(test);
  const asked = questionsLeft(test);
  byId("judged").hidden = test === null;
  let next = "";
  if (test && !test.closed) {
    const left = test.cylinders.filter((one) => ["waiting", "in_progress"].includes(one.status)).map((one) => one.name);
    const after = left.filter((name) => name !== test.next_cylinder);
    if (test.next_cylinder) next = `Now ${test.next_cylinder}${after.length ? `, then ${after.join(", ")}` : ", the last one"}.${asked ? ` ${asked}.` : ""}`;
    else if (asked) next = `${asked}: say which cylinder it was.`;
    else if (againOf(test).length) next = `Every cylinder was read, but not all of them well: read ${againOf(test).join(", ")} again.`;
    else if (test.verdict === "retest") next = "Every cylinder was read: finish, then see what would tell.";
    else next = "All settled: look, then finish.";
  }
  // Whatever it says of the engine: that it is one of this machine, or was done as it should, is not so.
  const givenUp = test?.phase === "abandoned";
  if (givenUp) next = "Given up: this test proves nothing of the engine.";
  setText(byId("next"), next);
  const spread = test?.spread_kpa ?? null;
  setText(
    byId("spread"),
    spread === null
      ? ""
      : `Spread ${boundOf(test)}${withDoubt(spread, test.spread_u_kpa ?? 0, unit, true).join(" ± ")} ${unit}` +
          (test.spread_percent !== null ? `, ${test.spread_percent.toFixed(1)} % of the highest` : ""),
  );
  // While cylinders are missing there is nothing to say of the engine yet, however the word would be.
  const missing = (test?.findings ?? []).some((finding) => finding.rule === "incomplete") && !test.closed;
  const word = missing || givenUp ? null : (test?.verdict ?? null);
  const seasons = seasonsOf(drawVerdict);
  byId("verdict").hidden = word === null;
  const meaning = word === "consistent" && seasons?.wearing.length ? "nothing in this test alone, but look at the seasons" : (MEANING[word] ?? "");
  const shown = `${word} ${meaning}`;
  if (word !== null && byId("verdict").dataset.shown !== shown) {
    byId("verdict").dataset.shown = shown;
    byId("verdict").dataset.word = word;
    byId("verdict-sign").replaceChildren(sign(word));
    byId("verdict-word").replaceChildren(word, el("span", {}, ` ${meaning}`));
  }
  byId("seasons").hidden = seasons === null;
  byId("seasons").dataset.wearing = String(Boolean(seasons?.wearing.length));
  setText(byId("seasons"), seasons === null ? "" : `Over the seasons: ${seasons.says.join(" ")}`);
  const noted = (test?.notes ?? []).map((note) => (note.by ? `${note.text} (${note.by})` : note.text));
  byId("noted").hidden = noted.length === 0;
  setText(byId("noted"), noted.length ? `Noted: ${noted.join("; ")}` : "");
  setText(byId("summary"), test && !givenUp ? joined(test.summary, namesOf(test)) || "Nothing can be said yet." : "");
  const asking = (givenUp ? [] : (test?.findings ?? [])).filter((finding) => finding.severity !== "note" && !test.summary.includes(finding.text)).slice(0, 4);
  byId("findings").replaceChildren(
    ...asking.map((finding) => {
      const causes = finding.causes.length ? el("small", {}, `Likely, in this order: ${finding.causes.join("; ")}.`) : null;
      return el("li", { "data-severity": finding.severity }, joined(finding.text, namesOf(test)), causes);
    }),
  );
  const tell = missing || givenUp ? [] : [...new Set((test?.findings ?? []).filter((finding) => finding.severity !== "note").flatMap((finding) => finding.next_tests))];
  byId("tells").hidden = tell.length === 0;
  setText(byId("tells"), tell.length ? `What would tell: ${tell.slice(0, 4).join("; ")}.` : "");
}
