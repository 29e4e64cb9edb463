// Speaks prompts when asked to: a phone in a pocket is the voice.
let wanted = false;
let blocked = null; // What the browser would not say before somebody pressed something.
let mute = false; // Whether the machine has no voice that works.
let said = null; // Id of the prompt that was said last.
let show = () => {};

export function voiceSwitch(button) {
  if (!("speechSynthesis" in window)) {
    button.hidden = true;
    return;
  }
  wanted = localStorage.getItem("speak") === "on";
  show = () => {
    button.setAttribute("aria-pressed", String(wanted));
    button.textContent = `Speak: ${!wanted ? "off" : blocked ? "press" : mute ? "no voice" : "on"}`;
  };
  // A page that was loaded again must be pressed once before it may speak; any press will do.
  addEventListener("pointerup", () => {
    if (blocked && wanted) setTimeout(() => blocked && speak(blocked));
  });
  button.addEventListener("click", (event) => {
    if (blocked && wanted) {
      // From a keyboard there is no pointer that comes up.
      if (event.detail === 0) speak(blocked);
      return;
    }
    wanted = !wanted;
    localStorage.setItem("speak", wanted ? "on" : "off");
    if (wanted) speak({ spoken: "Prompts are spoken here.", say: true });
    else speechSynthesis.cancel();
    show();
  });
  show();
}

export function speak(prompt) {
  said = prompt.id ?? said;
  if (!wanted || !prompt.say) return;
  // What is said now replaces what was about to be said: an old instruction is worse than none.
  if (prompt.urgency !== "caution") speechSynthesis.cancel();
  const words = new SpeechSynthesisUtterance(prompt.spoken || prompt.text);
  words.lang = "en";
  words.rate = 0.95;
  words.addEventListener("start", () => note(null, false));
  words.addEventListener("error", (event) => {
    if (event.error === "not-allowed") note(prompt, false);
    else if (!["interrupted", "canceled"].includes(event.error)) note(null, true);
  });
  speechSynthesis.speak(words);
}

function note(held, isMute) {
  [blocked, mute] = [held, isMute];
  show();
}

// Says what stands where it came while nothing was heard, or before the page was there.
export function catchUp(prompt) {
  if (prompt?.id && prompt.id !== said) speak(prompt);
}
