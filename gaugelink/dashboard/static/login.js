// Says that a token was wrong, and lets the page's light or dark be as it was chosen.
import { applyTheme } from "./theme.js";

applyTheme();
if (location.search === "?wrong") {
  document.getElementById("wrong").textContent = "That is not the token. After a few attempts there is a pause.";
}
