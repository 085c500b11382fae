/* What every page of ours needs round a map: elements whose text is never markup, a scale bar, the licence of Leaflet. */
"use strict";
const cemgisPage = (() => {
  const $ = (id) => document.getElementById(id);
  /* An element; its children are elements or text, and text stays text. */
  const make = (tag, attributes, ...children) => {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) {
      if (name === "class") element.className = value;
      else if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
      else element.setAttribute(name, value);
    }
    element.append(...children.filter((child) => child !== null && child !== undefined));
    return element;
  };
  /* A number with commas; without the browser's own formatting, which takes long to get ready. */
  const grouped = (n) => { const [whole, part] = String(n).split("."); return whole.replace(/\B(?=(\d{3})+$)/g, ",") + (part ? `.${part}` : ""); };
  const stop = (words) => document.body.prepend(make("p", { class: "stop", role: "alert" }, words));
  const licence = () => $("leaflet-licence").textContent.replaceAll("&lt;", "<").replaceAll("&gt;", ">").replaceAll("&quot;", '"').replaceAll("&#x27;", "'").replaceAll("&amp;", "&");
  /* A bar of a round length, not longer than 150 pixels. */
  function scaleBar(map, ground, suffix) {
    const perPx = 2 ** (cemgisMap.ZOOM - map.getZoom()) / ground.grid.per_unit;
    const most = 150 * perPx, power = 10 ** Math.floor(Math.log10(most));
    const length = [5, 2, 1].map((k) => k * power).find((v) => v <= most);
    $("scale-said").textContent = `${grouped(Number(length.toPrecision(6)))} ${suffix}`;
    $("scale-bar").style.width = `${length / perPx}px`;
  }
  return { $, make, stop, grouped, licence, scaleBar };
})();
