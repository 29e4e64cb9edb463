// The server's stream of events. The browser reconnects by itself; when it gave up for good, a new stream is begun.
import { KINDS, alive, take, takeBeat, takeSnapshot } from "./store.js";

export function listen(changed) {
  const source = new EventSource("/api/events");
  const on = (name, fold) =>
    source.addEventListener(name, (event) => {
      const data = JSON.parse(event.data);
      alive();
      fold(data);
      changed(name, data);
    });
  on("snapshot", takeSnapshot);
  on("beat", takeBeat);
  for (const kind of KINDS) on(kind, (data) => take(kind, data));
  source.addEventListener("error", () => {
    if (source.readyState !== EventSource.CLOSED) return;
    setTimeout(async () => {
      const answer = await fetch("/api/setup").catch(() => null);
      if (answer?.status === 401) location.assign("/login");
      else listen(changed);
    }, 1500);
  });
}
