// The ward: cards as they are pushed, those first that need somebody first.

import { ageWords, drawMark, drawValues, every, listen, oldness, put, readingWords, remember,
  say, unjudgedWords, whoWords } from "./common.js";
import { Speaker } from "./sound.js";
import { choices } from "./units.js";

const places = new Map();
const announced = new Set();

function make(name) {
  const item = document.getElementById("place").content.firstElementChild.cloneNode(true);
  const place = { name, item, article: item.firstElementChild, body: null, at: 0 };
  item.querySelector("a").href = `place/${name}`;
  places.set(name, place);
  return place;
}

const since = (place) => (performance.now() - place.at) / 1000;

function draw(place) {
  const { body, article } = place;
  const find = (query) => article.querySelector(query);
  put(find(".name"), body.place);
  put(find(".who"), whoWords(body));
  const first = body.standing[0];
  put(find(".words"), first ? first.says : "");
  put(find(".look"), body.look && first ? `${say("look_first")}: ${body.look}` : "");
  put(find(".more"), moreWords(body));
  age(place);
}

function moreWords(body) {
  const parts = body.standing.slice(1, 3).map((one) => one.title);
  const left = body.standing.length - 1 - parts.length;
  if (left > 0) parts.push(say("and_more", { count: left }));
  const by = body.standing[0]?.by;
  if (by) parts.unshift(say("seen_by", { by }));
  if (body.paused_s !== null) parts.unshift(say("paused", { age: ageWords(body.paused_s) }));
  return parts.join("; ");
}

// Who comes in after it must know that it was.
const overWords = (over, later) => over === null ? "" : say("over", {
  age: ageWords(over.age_s + later), priority: say(`priority_${over.priority}`), title: over.title,
});

function needOf(place) {
  if (place.body.priority === "high") return "high";
  if (place.old === "silent") return "blind";
  return place.body.priority ?? "none";
}

function age(place) {
  const { body, article } = place;
  const seconds = body.age_s === null ? null : body.age_s + since(place);
  place.old = oldness(seconds);
  place.need = needOf(place);
  article.dataset.old = place.old;
  article.dataset.need = place.need;
  const find = (query) => article.querySelector(query);
  drawValues(find(".values"), body.values, since(place));
  put(find(".age"), readingWords(seconds));
  put(find(".unjudged"), place.old === "silent" ? "" : unjudgedWords(body, since(place)));
  put(find(".over"), overWords(body.over, since(place)));
  const first = body.standing[0];
  put(find(".since"), first ? say("for", { age: ageWords(first.age_s + since(place)) }) : "");
  put(find(".priority"), place.need === "none" ? "" : `${say(`priority_${place.need}`)}.`);
  drawMark(article, place.need);
  if (!first) put(find(".words"), place.need === "blind" ? readingWords(seconds) : "");
}

// -- order ---------------------------------------------------------------------------------------

function before(one, other) {
  if (choices.elements.order.value === "need") {
    for (let at = 0; at < one.body.need.length; at += 1) {
      const gap = one.body.need[at] - other.body.need[at];
      if (gap !== 0) return gap;
    }
  }
  return one.name < other.name ? -1 : 1;
}

function arrange() {
  const ordered = [...places.values()].sort(before);
  const needs = ordered.filter((place) => place.need !== "none");
  const quiet = ordered.filter((place) => place.need === "none");
  fill(document.getElementById("needs"), needs);
  fill(document.getElementById("quiet"), quiet);
  document.getElementById("quiet-section").hidden = quiet.length === 0;
  const nobody = document.getElementById("nobody");
  nobody.hidden = needs.length > 0;
  put(nobody, say(places.size ? "nobody_needs" : "no_places"));
}

function fill(list, wanted) {
  const focused = document.activeElement;
  wanted.forEach((place, at) => {
    if (list.children[at] !== place.item) list.insertBefore(place.item, list.children[at] ?? null);
  });
  while (list.children.length > wanted.length) list.lastElementChild.remove();
  // A card that is moved loses the focus; who reads it must not lose the place.
  if (focused !== document.activeElement && focused?.isConnected) focused.focus();
}

function announce(place) {
  for (const one of place.body.standing) {
    if (one.priority !== "high" || one.by || one.explained || announced.has(one.id)) continue;
    announced.add(one.id);
    const text = say("announce", { place: place.body.place, says: one.says });
    put(document.getElementById("announce"), text);
  }
}

// -- a screen on a wall: nobody can scroll there, and nobody may be left out -----------------------

const below = document.getElementById("below");

const namesOf = (list) => list.map((place) => place.body.place).join(", ");
// Of the first few also what it is: the one that does not breathe may be among them.
const NAMED = 4;

function moreOf(list) {
  const told = list.slice(0, NAMED).map(({ body, need }) => say("more_one", {
    place: body.place, priority: say(`priority_${need}`),
    title: body.standing[0]?.title ?? readingWords(body.age_s),
  }));
  return [...told, ...list.slice(NAMED).map((place) => place.body.place)].join(", ");
}

function fitWall() {
  if (!below) return;
  const all = [...places.values()].sort(before);
  const room = below.getBoundingClientRect().top;
  const hidden = all.filter((place) => place.need !== "none"
    && place.article.getBoundingClientRect().bottom > room);
  // Half a card says half of what is wrong.
  all.forEach((place) => place.item.classList.toggle("cut", hidden.includes(place)));
  const key = hidden.length === 1 ? "one_below" : "more_below";
  put(below, hidden.length ? say(key, { count: hidden.length, names: moreOf(hidden) }) : "");
  const quiet = all.filter((place) => place.need === "none");
  put(document.getElementById("quiet-names"), quiet.length ? say("quiet_names", { names: namesOf(quiet) }) : "");
}

// -- sound ---------------------------------------------------------------------------------------

const speaker = new Speaker();
const sound = choices.elements.sound;
const outcome = document.getElementById("outcome");

if (sound) {
  sound.checked = localStorage.getItem("sound") === "on";
  sound.addEventListener("change", () => {
    localStorage.setItem("sound", sound.checked ? "on" : "off");
    speaker.wake();
  });
  addEventListener("pointerdown", () => speaker.wake());
  addEventListener("keydown", () => speaker.wake());
  for (const button of choices.querySelectorAll("[data-test]")) {
    button.addEventListener("click", async () => {
      await speaker.wake();
      speaker.play([button.dataset.test]);
    });
  }
}

function hear(spoken) {
  if (!sound?.checked || !spoken) return;
  speaker.play(spoken);
}

// Who relies on a sound has to know when there can be none.
function showSound() {
  put(outcome, sound?.checked && !speaker.awake ? say("sound_blocked") : "");
}

remember(["order", "co2"], () => {
  places.forEach(draw);
  arrange();
});
listen("live", (news) => {
  for (const body of news.cards) {
    const place = places.get(body.name) ?? make(body.name);
    place.body = body;
    place.at = performance.now();
    draw(place);
    announce(place);
  }
  if (news.cards.length) arrange();
  hear(news.spoken);
});
every(() => {
  places.forEach(age);
  arrange();
  fitWall();
  showSound();
});
