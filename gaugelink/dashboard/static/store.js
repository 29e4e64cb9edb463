// What the page knows, folded from the server's stream. Nothing is drawn here.
const MOST_EVENTS = 64;
const MOST_DECAYS = 24;
const TRACE_S = 15;
const LOST = "The page has lost its server: the bench is off or out of reach. See to its power and network; the readings are kept there.";
const QUIET_MS = 2300; // The server beats every second.

export const state = {
  setup: { known: false, benches: [], machines: [], leak_tests: null, record: false, notice: "" },
  benches: new Map(),
  current: null,
  brokerUp: false,
  problem: "",
  silent: {},
  heard: null, // performance.now() of the last sign of life
  heardAt: null, // the same as a Date, for people
};

export const bench = () => state.benches.get(state.current) ?? null;
// The shop's unit: of the test, or, while none was begun, as the gauges' states have it.
export const unitOf = (test) =>
  test?.display_unit ?? Object.values(bench()?.gauges ?? {}).find((gauge) => gauge.display_unit)?.display_unit ?? "psi";
export const machineOf = (test) => state.setup.machines.find((machine) => machine.id === test?.machine) ?? null;

// Names of a test's cylinders.
export const namesOf = (test) => (test?.cylinders ?? []).map((cylinder) => cylinder.name);

// The readings that wait for somebody to say whose they are. Before the cautions are acknowledged no answer is taken.
export const questionsOf = (test) => (!test || test.closed || test.phase === "cautions" ? [] : test.held_events);

// How many of them there are, in words; empty where there is none.
export function questionsLeft(test) {
  const left = questionsOf(test).length;
  return left === 0 ? "" : left === 1 ? "1 question left" : `${left} questions left`;
}

// Cylinders that the verdict asks to be read again, in the test's order; none where it asks for no retest, or for a dry
// test beside a wet one.
export function againOf(test) {
  const asking = test?.verdict === "retest" ? test.findings.filter((finding) => finding.severity === "retest" && !["incomplete", "wet_dry"].includes(finding.rule)) : [];
  return namesOf(test).filter((name) => asking.some((finding) => finding.cylinders.includes(name)));
}

export const leaking = (one) => one.progress !== null || (one.leak !== null && one.leak.phase !== "ended");
export const leakOf = (one) => {
  const cylinder = (one.progress ?? one.leak)?.cylinder;
  return cylinder ? `Cylinder ${cylinder}` : (machineOf(one.leak)?.name ?? one.leak?.machine ?? one.progress?.gauge ?? "");
};

// Whether the test says something newer than the prompt that was heard last: one was lost while the broker was away.
function isMissed({ prompt, test }) {
  return Boolean(test?.prompt) && !prompt.of_leak && prompt.test_id === test.test_id && prompt.at < test.at && !prompt.text.startsWith(test.prompt);
}

// What is to be done now. During a leak-down that is what it says itself, unless something newer does not work.
export function standingPrompt(one) {
  if (one === null) return null;
  const { prompt, leakPrompt } = one;
  if (!leaking(one)) return prompt && !isMissed(one) ? prompt : one.test?.prompt ? { text: one.test.prompt, urgency: "know", asks: false } : prompt;
  if (prompt && (prompt.of_leak || prompt.urgency === "problem")) return prompt;
  return leakPrompt ?? { text: `A leak test is under way: ${leakOf(one)}.`, urgency: "know", asks: false };
}

function emptyBench(name) {
  return {
    name, availability: null, gauges: {}, traces: new Map(), test: null, prompt: null, result: null, cautions: [],
    leak: null, leakPrompt: null, events: new Map(), decays: new Map(), progress: null, decaying: { id: null, t: [], kpa: [] },
    inTouchAt: null, // When what stands here was last as the bench had it, as a Date.
  };
}

function keep(map, key, value, most) {
  map.delete(key);
  map.set(key, value);
  while (map.size > most) map.delete(map.keys().next().value);
}

function addLive(one, gauge, live) {
  let trace = one.traces.get(gauge);
  if (!trace) one.traces.set(gauge, (trace = { t: [], kpa: [], over: false, fresh: true }));
  const last = trace.t.length ? trace.t[trace.t.length - 1] : -Infinity;
  if (live.t.length && live.t[0] < last - 1e-3) trace.t.length = trace.kpa.length = 0;
  trace.t.push(...live.t);
  trace.kpa.push(...live.kpa);
  trace.over = Boolean(live.over);
  const from = trace.t[trace.t.length - 1] - 2 * TRACE_S;
  if (trace.t[0] < from) {
    let cut = 0;
    while (trace.t[cut] < from + TRACE_S) cut += 1;
    trace.t.splice(0, cut);
    trace.kpa.splice(0, cut);
  }
}

function addProgress(one, progress) {
  one.progress = progress;
  if (one.decaying.id !== progress.decay_id) one.decaying = { id: progress.decay_id, t: [], kpa: [] };
  one.decaying.t.push(progress.elapsed_s);
  one.decaying.kpa.push(progress.pressure_kpa);
}

export function takeSnapshot(everything) {
  state.brokerUp = everything.broker;
  state.problem = everything.problem;
  for (const told of everything.benches) {
    const one = emptyBench(told.bench);
    Object.assign(one, {
      availability: told.availability, gauges: told.gauges, test: told.test, prompt: told.prompt, result: told.result,
      cautions: told.cautions, leak: told.leak, leakPrompt: told.leak_prompt,
    });
    for (const [gauge, live] of Object.entries(told.live)) addLive(one, gauge, live);
    for (const event of told.events) keep(one.events, event.event_id, event, MOST_EVENTS);
    for (const decay of told.decays) keep(one.decays, decay.decay_id, decay, MOST_DECAYS);
    const before = state.benches.get(told.bench);
    if (before) [one.decaying, one.inTouchAt] = [before.decaying, before.inTouchAt];
    if (told.progress) addProgress(one, told.progress);
    state.benches.set(told.bench, one);
  }
  if (!state.benches.has(state.current)) state.current = everything.benches[0]?.bench ?? null;
}

const FOLDS = {
  availability: (one, data) => (one.availability = data),
  gauge: (one, data) => (one.gauges[data.gauge] = data),
  live: (one, data) => addLive(one, data.gauge, data),
  cranking: (one, data) => keep(one.events, data.event_id, data, MOST_EVENTS),
  reading: () => {},
  test: (one, data) => {
    one.test = data;
    one.cautions = data.cautions;
  },
  prompt: (one, data) => {
    one.prompt = data;
    if (data.of_leak) one.leakPrompt = data;
    one.cautions = data.cautions;
  },
  result: (one, data) => (one.result = data),
  decay: (one, data) => {
    if (one.decays.has(data.decay_id)) one.decays.set(data.decay_id, data);
    else keep(one.decays, data.decay_id, data, MOST_DECAYS);
    one.cautions = data.cautions;
    if (one.progress?.decay_id === data.decay_id) one.progress = null;
  },
  decay_state: (one, data) => {
    one.leak = data;
    one.cautions = data.cautions;
    if (data.phase === "ended" && one.progress?.decay_id === data.decay_id) one.progress = null;
  },
  decay_progress: addProgress,
};

export const KINDS = Object.keys(FOLDS);

export function take(kind, told) {
  const one = state.benches.get(told.bench);
  if (one) FOLDS[kind](one, told.data);
}

export function takeBeat(beat) {
  state.brokerUp = beat.broker;
  state.problem = beat.problem;
  state.silent = beat.silent;
}

export function alive() {
  state.heard = performance.now();
  state.heardAt = new Date();
}

// Why what stands on the page may be old; null when it is not.
export function trouble() {
  if (state.heard === null) return "The page is looking for its server.";
  if (performance.now() - state.heard > QUIET_MS) return LOST;
  if (!state.brokerUp) return state.problem || "The broker is away.";
  const one = bench();
  if (one === null || one.availability === null) return `Bench ${state.current ?? ""} has not been heard yet.`;
  if (one.availability !== "online") return `Bench ${one.name} is offline.`;
  return null;
}

const isSilent = (gauge) => (state.silent[state.current] ?? []).includes(gauge);

// Whether the pressure of a gauge is one of now: its link is up, it is heard, and so is whoever tells of it.
export const isHeard = (gauge) =>
  trouble() === null && !isSilent(gauge) && (bench().gauges[gauge]?.phase ?? "streaming") === "streaming";
