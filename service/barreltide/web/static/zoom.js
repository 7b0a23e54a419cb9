// Puts a chart that can be zoomed in the place of the one that the server drew (uPlot). A new span asks for its own points.
"use strict";
const HINT = "Draw across it to look closer; the button leads back.";
const figure = document.getElementById("zoom");
const told = figure.dataset, POINTS = 1200;
const style = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const asRead = (v) => (v === null || told.fahrenheit === "" ? v : v * 1.8 + 32);

const inUnit = (_, v) => (v === null ? "–" : `${v.toFixed(2)} ${told.unit}`);

async function points(fromS, toS) {
  const answer = await fetch(`${told.chart}&start_s=${Math.max(0, fromS)}&end_s=${toS}&points=${POINTS}`);
  if (!answer.ok) throw new Error(String(answer.status));
  const chart = await answer.json();
  return { steps: chart.steps, data: [chart.t, chart.low.map(asRead), chart.high.map(asRead), chart.mean.map(asRead)] };
}

async function begin() {
  const first = await points(Number(told.start), Number(told.end));
  if (!first.data[0].length) return;
  const box = document.createElement("div"), hint = document.createElement("figcaption");
  let asked = 0;
  const redraw = async (plot, fromS, toS) => {
    const mine = ++asked;
    const fresh = await points(fromS, toS).catch(() => null);
    if (mine !== asked) return;
    hint.textContent = fresh === null ? "The service does not answer just now: this is what was drawn before." : HINT;
    if (fresh?.data[0].length) { plot.setData(fresh.data, false); plot.setScale("x", { min: fromS, max: toS }); }
  };
  const axis = { stroke: style("--faint"), font: `13px ${style("--serif")}`, grid: { stroke: style("--rule"), width: 0.5 }, ticks: { stroke: style("--rule") } };
  const path = first.steps ? uPlot.paths.stepped({ align: 1 }) : undefined;
  const plot = new uPlot({
    width: figure.clientWidth, height: Math.min(420, Math.max(240, figure.clientWidth * 0.5)),
    tzDate: (s) => uPlot.tzDate(new Date(s * 1000), told.zone),
    legend: { show: true, live: true }, cursor: { drag: { x: true, y: false, setScale: false } },
    axes: [{ ...axis, ...(told.twelve ? {} : { values: hours24 }) }, { ...axis, size: 56 }],
    bands: [{ series: [2, 1], fill: `${style("--water")}44` }],
    series: [
      { label: "at", value: (_, s) => (s === null ? "–" : when(s)) },
      { label: "lowest", value: inUnit, stroke: "transparent", paths: path, points: { show: false } },
      { label: "highest", value: inUnit, stroke: "transparent", paths: path, points: { show: false } },
      { label: "mean", value: inUnit, stroke: style("--deep"), width: 1.5, paths: path, points: { show: false } },
    ],
    hooks: {
      setSelect: [(u) => {
        if (u.select.width < 4) return;
        const [fromS, toS] = [u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x")];
        u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
        redraw(u, fromS, toS);
      }],
    },
  }, first.data, box);
  plot.setScale("x", { min: Number(told.start), max: Number(told.end) });
  hint.textContent = HINT;
  const back = Object.assign(document.createElement("button"), { textContent: "The whole span", type: "button" });
  back.addEventListener("click", () => redraw(plot, Number(told.start), Number(told.end)));
  figure.replaceChildren(box, hint, back);
  figure.dataset.zooms = "yes";
  addEventListener("resize", () => plot.setSize({ width: figure.clientWidth, height: plot.height }));
}

const fine = new Intl.DateTimeFormat("en-GB", { timeZone: told.zone, weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: told.twelve !== "" });
const when = (s) => fine.format(s * 1000);
const part = (options) => new Intl.DateTimeFormat("en-GB", { timeZone: told.zone, ...options });
const hourAt = part({ hour: "2-digit", minute: "2-digit" }), day = part({ day: "numeric", month: "short" });
function hours24(plot, splits) {
  return splits.map((s) => { const at = hourAt.format(s * 1000); return at === "00:00" ? day.format(s * 1000) : at; });
}
begin().catch(() => {});  // what the server drew stays
