// Why, and why not: asked once, and while it is worked out the page says so.

import { put, say } from "./common.js";
import { drawMarks, runClock, tellTimes } from "./when.js";

const AGAIN_MS = 2000;
const BUSY = 503;
const { ward, place } = document.body.dataset;
const state = document.getElementById("state");
const answer = document.getElementById("answer");
const began = performance.now();
const seconds = () => Math.round((performance.now() - began) / 1000);
let key = "why_working";

const ticking = setInterval(() => put(state, say(key, { n: seconds() })), 1000);

async function ask() {
  const response = await fetch(`place/${ward}/${place}/why/answer${location.search}`);
  if (response.status === BUSY) {
    key = "why_waiting";
    setTimeout(ask, AGAIN_MS);
    return;
  }
  clearInterval(ticking);
  const parsed = new DOMParser().parseFromString(await response.text(), "text/html");
  answer.replaceChildren(...parsed.body.childNodes);
  tellTimes(answer);
  drawMarks(answer);
  put(state, say(response.ok ? "why_done" : "why_failed", { n: seconds() }));
}

put(state, say(key, { n: 0 }));
runClock();
ask().catch(() => {
  clearInterval(ticking);
  put(state, say("why_failed", { n: seconds() }));
});
