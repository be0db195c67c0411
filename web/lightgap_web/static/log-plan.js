// What a ring of the log should be: a new ring, or another plan for one that is there.

import { PlanForm } from "./plan-form.js";
import { ask, askJson } from "./server.js";

const find = (selector) => document.querySelector(selector);
const { build, ring, below } = find("#ring-plan").dataset;
const FIRST = { segments: 12, joint: "closed", outline: "polygon" };

const planForm = new PlanForm(find("#plan"), find("#ring-view"));

function tell({ message, hint }) {
  const box = find("#problem");
  box.hidden = false;
  box.querySelector("h2").textContent = message;
  box.querySelector("p").textContent = hint;
  box.scrollIntoView({ block: "center" });
}

let kept = {};

find("#ask").addEventListener("submit", async (event) => {
  event.preventDefault();
  const { plan, wrong, empty } = planForm.read();
  if (empty.length || Object.keys(wrong).length) {
    planForm.tellEmpty(empty, wrong);
    return;
  }
  // Where the cards lay is no field of this form.
  if (kept.reference_height_mm) plan.reference_height_mm = kept.reference_height_mm;
  try {
    if (ring) await askJson("PUT", `/api/log/rings/${ring}`, { plan });
    else await askJson("POST", `/api/log/builds/${build}/rings`, { plan, name: find("#ring-name").value });
    location.assign(ring ? `/log/rings/${ring}` : `/log/builds/${build}`);
  } catch (error) {
    tell(error);
  }
});

async function start() {
  kept = below ? (await ask(`/api/log/rings/${below}`)).plan : FIRST;
  planForm.fill(kept);
}
start().catch(tell);
