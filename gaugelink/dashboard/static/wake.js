// Keeps the screen awake while a test or a leak-down is under way: nobody can wake it with both hands at the engine.
// Browsers allow it to pages from loopback or over HTTPS (W3C Screen Wake Lock), and let go of it when a page is hidden.
let wanted = false;
let lock = null;
let asking = false;

async function ask() {
  if (!wanted || lock !== null || asking || document.hidden || !navigator.wakeLock) return;
  asking = true;
  try {
    lock = await navigator.wakeLock.request("screen");
    lock.addEventListener("release", () => (lock = null));
  } catch (refused) {
    // A machine that saves its battery may refuse; it is asked again when the page is looked at anew.
    if (refused.name !== "NotAllowedError") throw refused;
  } finally {
    asking = false;
  }
  if (!wanted) await lock?.release();
}

export function stayAwake(want) {
  if (want === wanted) return;
  wanted = want;
  if (wanted) ask();
  else lock?.release();
}

document.addEventListener("visibilitychange", ask);
