// Speaks prompts when asked to: a phone in a pocket is the voice.
let wanted = false;

export function voiceSwitch(button) {
  if (!("speechSynthesis" in window)) {
    button.hidden = true;
    return;
  }
  wanted = localStorage.getItem("speak") === "on";
  const show = () => {
    button.setAttribute("aria-pressed", String(wanted));
    button.textContent = `Speak: ${wanted ? "on" : "off"}`;
  };
  button.addEventListener("click", () => {
    wanted = !wanted;
    localStorage.setItem("speak", wanted ? "on" : "off");
    if (wanted) speak({ spoken: "Prompts are spoken here.", say: true });
    else speechSynthesis.cancel();
    show();
  });
  show();
}

export function speak(prompt) {
  if (!wanted || !prompt.say) return;
  // What is said now replaces what was about to be said: an old instruction is worse than none.
  if (prompt.urgency !== "caution") speechSynthesis.cancel();
  const words = new SpeechSynthesisUtterance(prompt.spoken || prompt.text);
  words.lang = "en";
  words.rate = 0.95;
  speechSynthesis.speak(words);
}
