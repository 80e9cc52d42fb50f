// The what-if of the design page redraws while a finger moves: coarse on the way,
// sharp at rest. Without this script its form works by itself.
"use strict";
(() => {
  const restAfter = 350;
  const byId = (id) => document.getElementById(id);
  const form = byId("wish");
  if (!form) return;
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const outcome = byId("outcome");
  let busy = false, next = null, rest = 0;
  let lift = null; // resolves when the finger that is down on the outcome is lifted
  outcome.addEventListener("pointerdown", () => {
    let up = null;
    lift = new Promise((done) => { up = done; });
    for (const end of ["pointerup", "pointercancel", "blur"]) addEventListener(end, () => setTimeout(up), { once: true });
  });

  function moved() {
    outcome.setAttribute("aria-busy", "true");
    clearTimeout(rest);
    rest = setTimeout(() => draw(false), restAfter);
    draw(true);
  }

  // draw has one wish under way; of those that come meanwhile only the last counts.
  async function draw(moving) {
    if (busy) { next = { moving }; return; }
    busy = true;
    const wish = new URLSearchParams(new FormData(form));
    const asked = new URLSearchParams(wish);
    asked.set(moving ? "moving" : "sharp", "yes");
    try {
      const r = await fetch("/design/outcome?" + asked);
      if (r.status === 401) { location.reload(); return; }
      const text = await r.text();
      await lift; // nothing moves under a finger
      if (r.ok) await show(text, moving);
      else if (!moving) tell(text.trim());
      if (!moving) history.replaceState(null, "", "/design?" + wish);
    } catch {
      tell("No answer from the daemon: what is shown below belongs to other measures.");
    } finally {
      busy = false;
      const then = next;
      next = null;
      if (then) draw(then.moving);
      else if (!moving) outcome.setAttribute("aria-busy", "false");
    }
  }

  function tell(text) {
    byId("comes-out").textContent = text;
  }

  // show puts an outcome in the place of the one before. A picture gives way only
  // once the new one is there, and on the way only if it can be seen.
  async function show(html, moving) {
    const made = document.createElement("template");
    made.innerHTML = html;
    const loads = [];
    for (const img of made.content.querySelectorAll("img[id]")) {
      const before = byId(img.id), source = img.parentNode.querySelector("source");
      if (!before) continue;
      const wanted = { src: img.src, srcset: source.srcset };
      const was = before.getBoundingClientRect(), seen = was.bottom > 0 && was.top < innerHeight;
      img.height = before.height;
      img.src = before.src;
      source.srcset = before.parentNode.querySelector("source").srcset;
      img.loading = "eager";
      if (seen || !moving) loads.push(load(img, source, wanted));
    }
    for (const d of outcome.querySelectorAll("details[open]")) {
      const same = d.id && made.content.querySelector("#" + CSS.escape(d.id));
      if (same) same.open = true;
    }
    const focus = outcome.contains(document.activeElement) && document.activeElement.id;
    outcome.replaceChildren(made.content);
    if (focus && byId(focus)) byId(focus).focus({ preventScroll: true });
    if (!moving) tell(Array.from(outcome.querySelectorAll(".numbers tbody tr"), (row) => row.textContent.trim()).slice(1, 4).join("; "));
    await Promise.all(loads);
  }

  async function load(img, source, wanted) {
    const ahead = new Image();
    ahead.src = dark.matches ? wanted.srcset : wanted.src;
    try { await ahead.decode(); } catch { return; } // overtaken: the picture before stays
    img.removeAttribute("height");
    source.srcset = wanted.srcset;
    img.src = wanted.src;
  }

  // A picture of the other theme is asked for by the browser once; where that came to
  // nothing, the one before stays. So it is asked for here too.
  dark.addEventListener("change", () => {
    for (const img of outcome.querySelectorAll("picture img")) {
      const source = img.parentNode.querySelector("source");
      if (img.naturalWidth > 0) load(img, source, { src: img.src, srcset: source.srcset });
    }
  });

  for (const slide of form.querySelectorAll("input[type=range]")) {
    const field = byId(slide.dataset.for);
    slide.hidden = false;
    slide.addEventListener("input", () => { field.value = slide.value; moved(); });
    field.addEventListener("input", () => {
      if (field.value === "") return;
      slide.value = field.value;
      moved();
    });
  }
  byId("work-out").hidden = true;
  byId("w-treatment").addEventListener("change", () => draw(false));
  byId("w-layout").addEventListener("change", () => form.requestSubmit());
  form.addEventListener("submit", (e) => {
    if (e.submitter && e.submitter.id === "work-out") { e.preventDefault(); draw(false); }
  });
})();
