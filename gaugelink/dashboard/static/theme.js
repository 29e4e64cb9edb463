// Light or dark: as the machine says, or as someone chose.
const WORDS = { auto: "Auto", light: "Light", dark: "Dark" };
const NEXT = { auto: "light", light: "dark", dark: "auto" };

function kept() {
  const theme = localStorage.getItem("theme");
  return theme in WORDS ? theme : "auto";
}

export function applyTheme() {
  const theme = kept();
  if (theme === "auto") delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = theme;
  return theme;
}

export function themeSwitch(button, changed) {
  const show = () => {
    const theme = WORDS[applyTheme()];
    button.textContent = theme;
    button.setAttribute("aria-label", `Light or dark: ${theme}`);
    changed();
  };
  button.addEventListener("click", () => {
    localStorage.setItem("theme", NEXT[kept()]);
    show();
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", changed);
  show();
}
