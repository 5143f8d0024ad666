// What all pages share: words, ages, values in words, and the link to the server.

import { choices, numberWords, unitWords } from "./units.js";

export const words = JSON.parse(document.getElementById("words").textContent);
export const settings = JSON.parse(document.getElementById("settings").textContent);
const HEARD_S = 3;
const MOST_WAIT_MS = 2000;
const STILL_HERE_MS = 30_000;
const LOGGED_OUT = 4401;
const SHAPES = {
  high: "M12 1 23 22H1ZM11 8v7h2V8Zm0 9v2.4h2V17Z",
  medium: "M12 1 23 12 12 23 1 12ZM11 6v7h2V6Zm0 9v2.4h2V15Z",
  low: "M12 2a10 10 0 1 0 0 20 10 10 0 0 0 0-20Zm-1 5v7h2V7Zm0 9v2.4h2V16Z",
  blind: "M3 3 21 21M2 2h20v20H2Zm3 3v14h14V5Z",
};
export const DIGITS = { etco2: 0, fico2: 0, spo2: 0, pulse_rate: 0, rr: 0, pip: 1, temperature: 1,
  tidal_volume: 1, charge: 0 };
export const ARROWS = { rising: "↗", falling: "↘", steady: "→" };

export const say = (key, values = {}) =>
  (words[key] ?? key).replace(/\{(\w+)\}/g, (_, name) => values[name]);

export function ageWords(seconds) {
  const whole = Math.max(0, Math.floor(seconds));
  if (whole < 120) return say("unit_s", { n: whole });
  if (whole < 7200) return say("unit_min", { n: Math.floor(whole / 60) });
  return say("unit_h", { n: Math.floor(whole / 3600) });
}

// Only what changes is touched: who reads or has the focus there is not disturbed.
export function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export const drawMark = (article, need) => drawShape(article.querySelector(".mark path"), need);

export function drawShape(path, need) {
  const shape = SHAPES[need] ?? "";
  if (path.getAttribute("d") === shape) return;
  path.setAttribute("d", shape);
  path.setAttribute("fill-rule", "evenodd");
}

// As many children as there are things to show; those that stay are left as they are.
export function fit(parent, count, another) {
  while (parent.children.length > count) parent.lastElementChild.remove();
  while (parent.children.length < count) parent.append(another());
}

export function make(name, ...children) {
  const element = document.createElement(name);
  element.append(...children);
  return element;
}

// -- what is remembered of the reader's choices --------------------------------------------------

// A screen on a wall has nobody who chooses: its address says what it shows (?order=fixed&co2=kPa).
const asked = new URLSearchParams(location.search);

export function remember(names, changed) {
  for (const name of names) {
    const kept = asked.get(name) ?? localStorage.getItem(name);
    const choice = choices.elements[name];
    if (kept !== null && [...choice ?? []].some((one) => one.value === kept)) choice.value = kept;
  }
  choices.addEventListener("change", (event) => {
    if (names.includes(event.target.name)) localStorage.setItem(event.target.name, event.target.value);
    changed();
  });
}

// -- words for what is known ---------------------------------------------------------------------

export function whoWords(body) {
  if (body.species === null) return say("who_unknown");
  const mass = body.mass_kg === null ? null
    : body.mass_kg < 1 ? say("mass_g", { mass: Math.round(body.mass_kg * 1000) })
      : say("mass_kg", { mass: body.mass_kg.toFixed(1) });
  return [body.patient, body.species, mass, say(`phase_${body.phase}`)].filter(Boolean).join(", ");
}

export function oldness(seconds) {
  if (seconds === null) return "never";
  return seconds <= settings.late_s ? "fresh" : seconds <= settings.silent_s ? "late" : "silent";
}

export function readingWords(seconds) {
  if (seconds === null) return say("reading_never");
  const key = oldness(seconds) === "silent" ? "nothing_for" : "reading_ago";
  return say(key, { age: ageWords(seconds) });
}

// Nothing is advised where nothing can be judged: that must not look like being well.
export const unjudgedWords = (body, later) => body.unjudged === null ? ""
  : say(`unjudged_${body.unjudged}`, { age: ageWords((body.settings_s ?? 0) + later) });

export function drawValues(list, values, later) {
  fit(list, values.length, () => make("div", make("dt"), make("dd", make("span"), make("small"))));
  values.forEach((one, at) => {
    const row = list.children[at];
    put(row.firstElementChild, say(`vital_${one.vital}`));
    const [number, rest] = valueWords(one, one.age_s + later);
    put(row.lastElementChild.firstElementChild, number);
    put(row.lastElementChild.lastElementChild, rest);
  });
}

function valueWords(one, seconds) {
  if (one.status === "no-breath") {
    return [say("value_no_breath", { age: ageWords(seconds) }), ""];
  }
  if (one.value === null) {
    return [say("value_none", { why: say(`status_${one.status}`) }), ""];
  }
  // What was measured a while ago is not how it is: then its age stands where its direction was.
  const old = seconds > settings.silent_s ? `, ${say("value_ago", { age: ageWords(seconds) })}` : "";
  const direction = one.direction && !old ? ` ${ARROWS[one.direction]} ${say(one.direction)}` : "";
  const usual = one.usual === null ? ""
    : `, ${say("value_usual", { value: numberWords(one.unit, one.usual, DIGITS[one.vital]) })}`;
  // What is lost through a leak was never in the lungs.
  const doubt = usual && one.vital === "tidal_volume" && one.value > one.usual
    ? `; ${say("volume_doubt")}` : "";
  const number = numberWords(one.unit, one.value, DIGITS[one.vital]);
  return [number, ` ${unitWords(one.unit)}${direction}${usual}${doubt}${old}`];
}

// -- the link ------------------------------------------------------------------------------------

let heardAt = performance.now();
let watching = null;

export function showLink() {
  const silentFor = (performance.now() - heardAt) / 1000;
  const state = silentFor > HEARD_S ? "lost" : watching ?? "connecting";
  document.body.dataset.link = state;
  const text = state === "lost" ? say("link_lost", { age: ageWords(silentFor) }) : say(state);
  put(document.getElementById("link"), text);
}

export function listen(path, take) {
  const address = new URL(path, document.baseURI);
  address.protocol = address.protocol.replace("http", "ws");
  const connect = (waitMs) => {
    const socket = new WebSocket(address);
    let opened = false;
    socket.onmessage = (event) => {
      opened = true;
      const news = JSON.parse(event.data);
      heardAt = performance.now();
      watching = news.watching;
      take(news);
      showLink();
    };
    socket.onclose = async (event) => {
      if (event.code === LOGGED_OUT || (!opened && await isLoggedOut())) {
        location.assign(`login?next=${encodeURIComponent(location.pathname)}`);
      } else {
        setTimeout(connect, opened ? 500 : waitMs, Math.min(MOST_WAIT_MS, 2 * waitMs));
      }
    };
  };
  connect(500);
}

async function isLoggedOut() {
  try {
    return (await fetch("still-here")).status === 401;
  } catch {
    return false;
  }
}

// Who uses the page is not logged out; who has left is.
let toldAt = performance.now();
for (const kind of ["pointerdown", "keydown"]) {
  addEventListener(kind, () => {
    if (performance.now() - toldAt < STILL_HERE_MS) return;
    toldAt = performance.now();
    fetch("still-here", { method: "POST" }).catch(() => {});
  });
}

export const clock = new Intl.DateTimeFormat(words.language, {
  hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: false, timeZoneName: "short",
});

export function every(tick) {
  setInterval(() => {
    tick();
    showLink();
    put(document.getElementById("clock"), clock.format(new Date()));
  }, 500);
}
