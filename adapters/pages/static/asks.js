// What a person asks of the service at one place, and what became of it.

import { ageWords, put, say, words } from "./common.js";

const { ward, place } = document.body.dataset;
const mayAsk = document.body.dataset.mayAsk === "yes";
const outcome = document.getElementById("outcome");
// Who presses just when the list moves presses something else than was meant.
const SETTLES_MS = 700;
let movedAt = -SETTLES_MS;
const DONE_SHOWN_MS = 8000;

export const listMoved = () => { movedAt = performance.now(); };

async function ask(action, fields = {}) {
  put(outcome, say("asking"));
  outcome.dataset.outcome = "asking";
  let answer = { outcome: "unknown", reason: null };
  try {
    const response = await fetch(`place/${ward}/${place}/request`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ action, ...fields }),
    });
    answer = response.status === 401 ? { outcome: "refused", reason: say("logged_out") }
      : await response.json();
  } catch { /* No answer: nobody knows whether it was done. */ }
  outcome.dataset.outcome = answer.outcome;
  put(outcome, answer.outcome === "done" ? say(`done_${action}`)
    : answer.outcome === "refused" ? say("refused", { reason: answer.reason })
      : say("unknown_outcome"));
  // What was not done stays there until something else is asked.
  const said = outcome.textContent;
  if (answer.outcome === "done") {
    setTimeout(() => { if (outcome.textContent === said) put(outcome, ""); }, DONE_SHOWN_MS);
  }
  return answer.outcome === "done";
}

export function drawAcknowledge(button, one) {
  // It stays where it is, with the focus; pressed again it does nothing.
  const by = one.acknowledged_by;
  put(button, by ? say("seen_by", { by }) : say("acknowledge"));
  button.setAttribute("aria-disabled", String(Boolean(by)));
  button.hidden = !by && !mayAsk;
  button.onclick = () => {
    if (by) return;
    if (performance.now() - movedAt < SETTLES_MS) put(outcome, say("moved"));
    else ask("acknowledge", { target: one.id });
  };
}

// -- pause and notes -----------------------------------------------------------------------------

const form = (id) => document.getElementById(id);

export function drawPause(paused, seconds) {
  form("paused").hidden = form("resume").hidden = !paused;
  form("pause").hidden = Boolean(paused);
  if (paused) {
    put(form("paused"), say("paused_by", { age: ageWords(seconds), by: paused.by, reason: paused.reason }));
  }
}

function asks(id, fields, done = () => {}) {
  form(id).addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!await ask(id, fields())) return;
    form(id).reset();
    done();
  });
}

const when = new Intl.DateTimeFormat(words.language, {
  hour: "2-digit", minute: "2-digit", hour12: false, timeZoneName: "short",
});

async function drawNotes() {
  let notes = [];
  try {
    const response = await fetch(`place/${ward}/${place}/notes`);
    if (response.ok) notes = (await response.json()).notes;
  } catch { return; }
  document.getElementById("no-notes").hidden = notes.length > 0;
  document.getElementById("notes").replaceChildren(...notes.map((one) => {
    const item = document.createElement("li");
    put(item, say("note_line", { at: when.format(new Date(one.at)), by: one.by, text: one.text }));
    return item;
  }));
}

export function beginAsking() {
  document.getElementById("asks").hidden = !mayAsk;
  asks("pause", () => ({
    minutes: Number(form("pause").elements.minutes.value),
    reason: form("pause").elements.reason.value,
  }));
  asks("resume", () => ({}));
  asks("note", () => ({ reason: form("note").elements.reason.value }), drawNotes);
  drawNotes();
  setInterval(drawNotes, 30_000);
}
