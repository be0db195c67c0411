// One kept check: the photo with its joints, the figures with their budgets, measuring again.

import { Overlay } from "./overlay.js";
import { ask, askJson } from "./server.js";
import { FigureTable } from "./table.js";
import { units } from "./units.js";
import { Viewer } from "./viewer.js";

const POLL_MS = 400;

const find = (selector) => document.querySelector(selector);
const { id, result, base, width, height } = find("#kept").dataset;
const path = `/api/log/checks/${id}`;

let worstFirst = true;
let chosen = null;

if (result) show().catch((error) => (find("#table").textContent = `${error.message} ${error.hint}`));
find("#again").addEventListener("click", measureAgain);

async function show() {
  const kept = await ask(`${path}/told?result=${result}`);
  const viewer = new Viewer(find("#photo"), { onTap: touched, onView: () => overlay.arrange() });
  const overlay = new Overlay(find("#photo .overlay"), viewer, choose);
  const table = new FigureTable(find("#table"), choose);

  function choose(next) {
    const same = chosen && chosen.kind === next.kind && chosen.number === next.number;
    select(same ? null : next);
    viewer.goTo(chosen ? overlay.boxFor(chosen) : viewer.home);
  }

  function select(next) {
    chosen = next;
    const tab = chosen && find(`[name=figures][value=${chosen.kind}s]`);
    const plotted = chosen?.kind === "joint" && find("[name=figures][value=plot]").checked;
    if (tab && !tab.checked && !plotted) {
      tab.checked = true;
      draw();
    }
    overlay.mark(chosen);
    table.mark(chosen);
  }

  function touched(point) {
    const next = overlay.at(point);
    if (!next) return;
    const same = chosen?.kind === next.kind && chosen.number === next.number;
    select(same ? null : next);
    if (chosen) table.show(chosen.number);
  }

  function draw() {
    const kind = find("[name=figures]:checked").value;
    const order = find("#order");
    order.hidden = !["joints", "segments"].includes(kind);
    order.textContent = worstFirst ? "Clockwise ↻" : "Worst first ↓";
    order.setAttribute("aria-label", worstFirst ? "Put them in clockwise order" : "Put the worst first");
    table.draw(kind, kept, worstFirst);
    find("#table").toggleAttribute("tabindex", false);
    if (kind === "plot") find("#table").setAttribute("tabindex", "0");
    table.mark(chosen);
  }

  function hideLines() {
    const bare = find("#photo").classList.toggle("bare");
    find("#lines").setAttribute("aria-pressed", String(!bare));
  }

  viewer.open(`${path}/photo?place=${base}`, Number(width), Number(height));
  overlay.draw(kept.report, (joint) => {
    const said = kept.shown[units()].joints[joint.number - 1].reasons[0];
    return `Joint ${joint.number}, ${joint.verdict}${said ? `: ${said}` : ""}`;
  });
  viewer.setHome(overlay.box);
  viewer.goTo(viewer.home);
  draw();
  // Only paper shows it; it is drawn by the server after the photo on the screen has come.
  find(".on-paper").src = find(".on-paper").dataset.src;

  for (const button of document.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => viewer.zoom(Number(button.dataset.zoom)));
  }
  find("#whole").addEventListener("click", () => viewer.goTo(viewer.home));
  find("#lines").addEventListener("click", hideLines);
  find("#photo").addEventListener("keydown", (event) => event.key.toLowerCase() === "h" && hideLines());
  for (const radio of document.querySelectorAll("[name=figures]")) radio.addEventListener("change", draw);
  find("#order").addEventListener("click", () => {
    worstFirst = !worstFirst;
    draw();
  });
}

async function measureAgain() {
  const [button, say, bar] = [find("#again"), find("#again-say"), find("#again-share")];
  button.disabled = true;
  bar.hidden = false;
  try {
    const { id: check } = await ask(`${path}/again`, { method: "POST" });
    for (;;) {
      const now = await ask(`/api/checks/${check}`);
      bar.value = now.share;
      if (say.textContent !== now.step) say.textContent = now.step;
      if (now.state === "done" || now.state === "failed") break;
      await new Promise((resolve) => setTimeout(resolve, POLL_MS));
    }
    await askJson("POST", `${path}/results`, { check });
    location.assign(`/log/checks/${id}`);
  } catch (error) {
    say.textContent = `${error.message} ${error.hint}`;
    bar.hidden = true;
    button.disabled = false;
  }
}
