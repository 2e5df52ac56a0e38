// Ties the view to the page's controls. The page is complete without it: this only adds what can be moved.
import { seeThrough } from "./layers.js";
import { unpack } from "./unpack.js";
import { View } from "./view.js";
import { planWayOut } from "./wayout.js";

const LOOKS = { mouth: [0, 0], corner: [0.45, 0.4], side: [Math.PI / 2, 0], below: [0.45, -0.5], behind: [Math.PI, 0] };
const find = (id) => document.getElementById(id);
const millimetres = (value) => `${value.toFixed(1)} mm`.replace("-", "\u2212");

function fail(text) {
  find("view-message").textContent = text;
  find("view").dataset.state = "failed";
}

async function start() {
  if (typeof DecompressionStream === "undefined") {
    return fail("This browser is too old for the 3D view: it cannot unpack the meshes. All else on this page is complete.");
  }
  if (!document.createElement("canvas").getContext("webgl2")) {
    return fail("The 3D view needs WebGL 2, which this browser does not offer or has switched off. All else on this page is complete.");
  }
  const settings = JSON.parse(find("view-settings").textContent);
  try {
    const unpacked = await Promise.all([...document.querySelectorAll("script.mesh")].map(unpack));
    const view = new View(find("view-canvas"), unpacked, {
      ...settings,
      onPick: (found) => showPick(found, settings),
      onCut: (at) => showCut(view, at),
    });
    connect(view, settings);
    find("view").dataset.state = "ready";
    view.resize();
  } catch (error) {
    fail(`The 3D view could not be shown (${error.message}). All else on this page is complete.`);
    throw error;
  }
}

function connect(view, settings) {
  for (const box of document.querySelectorAll("input[data-layer]")) {
    const layers = view.layers.filter((layer) => layer.kind === box.dataset.layer);
    box.addEventListener("change", () => {
      for (const layer of layers) layer.group.visible = box.checked;
      view.redraw();
    });
  }
  find("see-through").addEventListener("change", (event) => {
    for (const layer of view.layers.filter((each) => each.kind === "scan")) seeThrough(layer, event.target.checked);
    view.redraw();
  });
  for (const button of document.querySelectorAll("button[data-look]")) {
    button.addEventListener("click", () => view.orbit.look(...LOOKS[button.dataset.look]));
  }
  connectCut(view);
  connectWayOut(view, settings);
  view.canvas.addEventListener("webglcontextlost", () => {
    fail("The browser took the 3D view away, most likely for want of memory: load the page again.");
  });
  window.addEventListener("beforeprint", () => {
    find("view-print").src = view.snapshot();
  });
}

function connectCut(view) {
  const [axis, place, turned] = [find("cut-axis"), find("cut-place"), find("cut-turned")];
  const apply = () => {
    const chosen = axis.value || null;
    const changed = chosen !== view.cut.axis;
    view.setCut(chosen, changed ? 0 : Number(place.value), turned.checked);
    if (changed && chosen) view.setCut(chosen, (view.cut.range[0] + view.cut.range[1]) / 2, turned.checked);
    for (const each of [place, turned]) each.disabled = chosen === null;
    const [low, high] = view.cut.range;
    Object.assign(place, { min: low.toFixed(1), max: high.toFixed(1) });
    showCut(view, view.cut.at);
  };
  axis.addEventListener("change", apply);
  turned.addEventListener("change", apply);
  place.addEventListener("input", () => view.moveCut(Number(place.value)));
  apply();
}

function showCut(view, at) {
  const place = find("cut-place");
  const text = view.cut.axis ? `${view.cut.axis} = ${millimetres(at)}` : "no cut";
  place.value = at;
  place.setAttribute("aria-valuetext", text);
  find("cut-read").textContent = text;
}

function connectWayOut(view, { travel }) {
  const slider = find("way-out");
  const moveTo = planWayOut(view.layers, travel);
  slider.addEventListener("input", () => {
    const { part, device } = moveTo(Number(slider.value) / 100);
    const seated = part === 0 && !device;
    const text = seated ? "seated" : `part ${millimetres(part)} out` + (device === null ? "" : `, device moved ${millimetres(device)}`);
    slider.setAttribute("aria-valuetext", text);
    find("way-out-read").textContent = text;
    view.redraw();
  });
}

function showPick(found, { reach }) {
  find("pick-read").textContent = found ? describe(found, reach) : "Nothing there.";
}

function describe({ layer, point, gap, asked, inside }, reach) {
  const place = ["x", "y", "z"].map((axis) => `${axis} ${point[axis].toFixed(2)}`).join("  ").replaceAll("-", "\u2212");
  const where = `${layer.name}: ${place} mm, ${clock(point)}`;
  if (inside) return `${where}; inside the ${layer.name}, on the cut`;
  if (layer.kind !== "part") return where;
  if (Number.isNaN(gap)) return `${where}; no scan within ${reach} mm, or its edge only`;
  const size = `${Math.abs(gap).toFixed(2)} mm`;
  const wanted = Number.isNaN(asked) ? "" : `, asked for ${asked.toFixed(2)} mm`;
  return `${where}; ` + (gap < 0 ? `${size} inside the panel` : `gap ${size}${wanted}`);
}

function clock({ x, y }) {
  if (Math.hypot(x, y) < 2) return "at the middle of the mouth";
  const minutes = Math.round((((Math.atan2(x, y) / Math.PI) * 360 + 720) % 720) / 5) * 5;
  return `${((Math.floor(minutes / 60) + 11) % 12) + 1}:${String(minutes % 60).padStart(2, "0")} o'clock`;
}

window.addEventListener("beforeprint", () => {
  for (const each of document.querySelectorAll("details.values")) each.open = true;
});
start();
