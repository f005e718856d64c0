"use strict";
// Drawing that all pages share. Colours come from the style sheet, so that light and dark follow it.
function colour(name) { return getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim(); }
// The plotting library reads a little markup in texts; names from the card must stay text.
function plain(text) { return String(text).replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;"); }
function data(id) { return JSON.parse(document.getElementById(id).textContent); }
function axis(title, more) {
  return {gridcolor: colour("line"), zerolinecolor: colour("line"), linecolor: colour("line"), automargin: true,
    title: {text: title, standoff: 8}, ...more};
}
function layout(more) {
  return {
    margin: {l: 64, r: 12, t: 8, b: 44}, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: {color: colour("ink"), family: "system-ui, sans-serif", size: 13}, showlegend: true,
    legend: {orientation: "h", y: 1.02, yanchor: "bottom", x: 0}, hovermode: "closest",
    hoverlabel: {bgcolor: colour("paper"), bordercolor: colour("line"), font: {color: colour("ink")}}, ...more,
  };
}
function curve(series, unit) {
  return {
    x: series.x, y: series.y, text: (series.text ?? []).map(plain), name: series.name,
    mode: series.marks ? "markers" : "lines+markers",
    marker: {size: series.marks ? 9 : 4, color: colour(series.role), symbol: series.marks ? "diamond" : "circle"},
    line: {width: 1.6, color: colour(series.role), dash: series.role === "kept" ? "dash" : "solid"},
    hovertemplate: "%{y:.4g} " + unit + ", %{text}<extra>" + plain(series.name) + "</extra>",
  };
}
function whenColoursChange(draw) {
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  const paper = on => () => { document.documentElement.classList.toggle("paper", on); draw(); };
  window.addEventListener("beforeprint", paper(true));
  window.addEventListener("afterprint", paper(false));
}
