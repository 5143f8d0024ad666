// One patient: what stands in full, all values, and pressure and CO2 as they come.

import { ageWords, drawMark, drawValues, every, listen, oldness, put, readingWords, remember, say,
  whoWords } from "./common.js";
import { Strip } from "./strip.js";

const { ward, place } = document.body.dataset;
const main = document.querySelector("main");
const list = document.getElementById("standing");
const strips = new Map([...document.querySelectorAll("canvas")].map(
  (canvas) => [canvas.dataset.channel, new Strip(canvas)]));
let card = null;
let at = 0;

const since = () => (performance.now() - at) / 1000;

function texts(parent, items) {
  while (parent.children.length > items.length) parent.lastElementChild.remove();
  items.forEach((text, number) => {
    if (!parent.children[number]) parent.append(document.createElement("li"));
    put(parent.children[number], text);
  });
}

function drawAdvisory(item, one) {
  const find = (query) => item.querySelector(query);
  item.firstElementChild.dataset.need = one.priority;
  item.firstElementChild.dataset.id = one.id;
  drawMark(item, one.priority);
  put(find(".priority"), `${say(`priority_${one.priority}`)}.`);
  put(find(".words"), one.says);
  put(find(".because"), one.because);
  texts(find(".looks"), one.look_at);
  texts(find(".causes"), one.may_be.map((cause) => causeWords(cause)));
  find(".may-be").hidden = one.may_be.length === 0;
  const rows = one.evidence.map((evidence) => [evidence.clause, evidence.value, evidence.limit_value]);
  drawRows(find("tbody"), rows);
  put(find(".clears"), say("clears_when", { when: one.clears_when }));
  put(find(".caution"), one.caution);
  find(".caution").hidden = !one.caution;
  texts(find(".doubts"), one.uncertainty);
  put(find(".source"), say("source", { ref: one.source.ref, confidence: one.source.confidence }));
  put(find(".seen"), one.acknowledged_by ? say("seen_by", { by: one.acknowledged_by }) : "");
  put(find(".explained"), one.outranked_by ? say("explained") : "");
}

function causeWords(cause) {
  const fits = cause.fits.length ? ` ${say("fits", { what: cause.fits.join(", ") })}` : "";
  const against = cause.against.length ? ` ${say("against", { what: cause.against.join(", ") })}` : "";
  return `${cause.title}: ${cause.look}${fits}${against}`;
}

function drawRows(body, rows) {
  while (body.children.length > rows.length) body.lastElementChild.remove();
  rows.forEach((cells, number) => {
    if (!body.children[number]) {
      const row = document.createElement("tr");
      row.append(...cells.map((_, cell) => document.createElement(cell ? "td" : "th")));
      row.firstElementChild.scope = "row";
      body.append(row);
    }
    cells.forEach((text, cell) => put(body.children[number].children[cell], shown(text)));
  });
}

const shown = (value) => value === null ? "-"
  : typeof value === "number" ? String(Math.round(value * 1000) / 1000) : String(value);

function drawStanding(standing) {
  while (list.children.length > standing.length) list.lastElementChild.remove();
  standing.forEach((one, number) => {
    if (!list.children[number]) {
      list.append(document.getElementById("advisory").content.firstElementChild.cloneNode(true));
    }
    drawAdvisory(list.children[number], one);
  });
  document.getElementById("nothing").hidden = standing.length > 0;
}

function age() {
  if (card === null) return;
  const seconds = card.age_s === null ? null : card.age_s + since();
  main.dataset.old = oldness(seconds);
  put(document.getElementById("age"), readingWords(seconds));
  drawValues(document.getElementById("values"), card.values, since());
  card.standing.forEach((one, number) => {
    const item = list.children[number];
    if (item) put(item.querySelector(".since"), say("for", { age: ageWords(one.age_s + since()) }));
  });
}

remember(["co2"], age);
listen(`live/${ward}/${place}`, (news) => {
  if (news.card) {
    card = news.card;
    at = performance.now();
    put(document.getElementById("who"), whoWords(card));
    put(document.getElementById("mode"), card.mode ? say(`mode_${card.mode}`) : "");
    drawStanding(news.standing);
    age();
  }
  for (const wave of news.waves) strips.get(wave.channel)?.add(wave);
});
every(age);
strips.forEach((strip) => strip.run());
