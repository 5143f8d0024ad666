// Times as people read them here: by the time zone of this browser, which is always named.

import { clock, drawShape, put, words } from "./common.js";

const day = new Intl.DateTimeFormat(words.language, {
  day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", second: "2-digit",
  hour12: false, timeZoneName: "short",
});
const short = new Intl.DateTimeFormat(words.language, {
  hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: false,
});

export const timeWords = (ms) => short.format(new Date(ms));
export const zonedWords = (ms) => clock.format(new Date(ms));

export function zone(ms) {
  return clock.formatToParts(new Date(ms)).find((part) => part.type === "timeZoneName").value;
}

// Without this script they stand there in UTC.
export function tellTimes(root) {
  for (const one of root.querySelectorAll("time[datetime]")) {
    put(one, day.format(new Date(one.getAttribute("datetime"))));
  }
}

export function drawMarks(root) {
  for (const one of root.querySelectorAll("[data-need]")) {
    const path = one.querySelector("svg path");
    if (path) drawShape(path, one.dataset.need);
  }
}

export function runClock() {
  const tick = () => put(document.getElementById("clock"), zonedWords(Date.now()));
  tick();
  setInterval(tick, 1000);
}
