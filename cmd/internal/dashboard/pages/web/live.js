// The page works without this script, by plain forms. With it the page follows
// the daemon by itself, knows how old its picture is, and refuses to confirm on
// an old one.
"use strict";
(() => {
  const beatEvery = 1000, staleAfter = 3000, answerWithin = 30000, answerShown = 6000, holdFor = 800;
  const byId = (id) => document.getElementById(id);

  const pairing = byId("pair");
  if (pairing) {
    // "/#k=CODE": a fragment never reaches a log or another site.
    const key = location.hash.match(/^#k=(.+)$/);
    if (key) {
      history.replaceState(null, "", "/");
      byId("code").value = key[1];
      pairing.requestSubmit();
    }
    return;
  }

  let link = null;     // the one that counts; older ones are ignored
  let asked = 0;       // when it was asked for
  let refused = 0;     // sockets in a row that did not open although the daemon answers
  let heard = Date.now(); // when the daemon last said something. Not a monotonic clock: that may stand still while the phone sleeps.
  let seen = -1;       // number of the picture on screen
  let skew = null;     // daemon's clock minus this phone's, ms
  let tries = 0, retry = 0, said = 0;
  let gone = false;    // the daemon has said goodbye
  const shown = {};    // the HTML of each part as it came last
  let held = false, waiting = {}; // a finger is down: pictures wait, so that nothing moves under it

  const age = () => Date.now() - heard;
  // A clock that was set back makes the age unknown, which counts as old.
  const stale = () => age() > staleAfter || age() < -beatEvery;

  // A link brings pictures and takes beats: a live socket, or a stream of events
  // with presses beside it.
  function bySocket(page, on) {
    const s = new WebSocket((location.protocol === "https:" ? "wss://" : "ws://") + location.host + "/live?page=" + page);
    s.onopen = () => on.open();
    s.onmessage = (e) => on.frame(JSON.parse(e.data));
    s.onclose = (e) => on.end(e.code);
    return { beat: (text) => { if (s.readyState === WebSocket.OPEN) s.send(text); }, close: () => s.close() };
  }

  function byEvents(page, on) {
    const s = new EventSource("/events?page=" + page);
    let stream = "", busy = false;
    s.addEventListener("stream", (e) => { stream = e.data; on.open(); });
    s.addEventListener("frame", (e) => on.frame(JSON.parse(e.data)));
    s.addEventListener("bye", (e) => { s.close(); on.end(Number(e.data)); });
    s.onerror = () => { s.close(); on.end(0); }; // it would come back by itself, at its own pace
    const beat = (text) => { // one under way: the next comes within a second
      if (!stream || busy) return;
      busy = true;
      fetch("/seen?stream=" + stream, { method: "POST", body: text }).catch(() => {}).finally(() => { busy = false; });
    };
    return { beat, close: () => s.close() };
  }

  function connect() {
    clearTimeout(retry);
    drop();
    asked = Date.now();
    const events = refused >= 2;
    const own = link = { opened: false };
    Object.assign(own, (events ? byEvents : bySocket)(document.body.dataset.page, {
      open: () => { own.opened = true; if (own === link) { refused = events ? refused : 0; beat(); } },
      frame: (f) => { if (own === link) take(f); },
      end: (code) => {
        if (own !== link) return;
        gone ||= code === 1001; // going away; later ends say nothing of it
        lost();
        tick();
      },
    }));
  }

  // lost leaves a link behind and tries again: a dead socket may take minutes to close.
  function lost() {
    const failed = link && !link.opened, events = refused >= 2;
    drop();
    clearTimeout(retry);
    const wait = Math.min(8000, 500 * 2 ** tries++);
    retry = setTimeout(connect, wait * (0.5 + Math.random() / 2));
    // A link cannot tell why it was refused; a request can. 401: pair anew.
    fetch("/state.json", { cache: "no-store" }).then((r) => {
      if (r.status === 401) location.reload();
      if (failed) refused = events ? 0 : refused + 1;
    }, () => {});
  }

  function drop() {
    const own = link;
    link = null;
    own?.close?.();
  }

  function wake() {
    if (document.visibilityState === "hidden" || age() < beatEvery && age() >= 0 && link) return;
    tries = 0;
    connect();
    tick();
  }

  function beat() {
    link?.beat?.(JSON.stringify({ seen }));
  }

  function take(frame) {
    heard = Date.now();
    skew = frame.now - heard;
    tries = 0;
    gone = false;
    if (frame.sections) {
      seen = frame.seq;
      Object.assign(waiting, frame.sections);
      if (!held) show();
      beat();
    }
    tick();
  }

  // show replaces sections and keeps what the person has opened, typed and
  // ticked, and where the keyboard is.
  function show() {
    for (const [id, html] of Object.entries(waiting)) {
      const part = byId(id);
      if (!part || shown[id] === html) continue; // a link that was lost and found again brings everything anew
      shown[id] = html;
      if (part.innerHTML === html) continue;
      const open = Array.from(part.querySelectorAll("details[open]"), (d) => d.id);
      const focus = part.contains(document.activeElement) && document.activeElement.id;
      const fields = part.querySelectorAll("input[id]");
      part.innerHTML = html;
      for (const f of fields) if (byId(f.id)) byId(f.id).replaceWith(f);
      for (const d of open) if (byId(d)) byId(d).open = true;
      if (focus && byId(focus)) byId(focus).focus({ preventScroll: true });
    }
    waiting = {};
    tick();
  }

  function words(ms) {
    const s = Math.max(0, Math.ceil(ms / 1000));
    return s < 60 ? s + " s" : Math.floor(s / 60) + " min " + (s % 60) + " s";
  }

  function write(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }

  // lastWords is what a daemon that was stopped left behind, "" if none was.
  function lastWords() {
    const told = byId("told") ? byId("told").textContent : "";
    return gone && told.startsWith("The daemon was stopped") ? told : "";
  }

  function tick() {
    const stopped = lastWords(), old = stale() || stopped !== "";
    write(byId("age"), stopped ? "Stopped" : old ? "Picture is " + words(Math.abs(age())) + " old" : "Live");
    document.body.classList.toggle("old", old);
    const warning = byId("stale");
    if (old) {
      write(warning, stopped ? stopped + " No daemon is there to take a roll back." :
        "This picture is old: the daemon is not heard. Confirming is off. The roll back below is still tried.");
    }
    warning.hidden = !old;
    const now = Date.now() + (skew || 0); // of the daemon
    for (const b of document.querySelectorAll("button[data-confirms]")) {
      b.disabled = old || b.form.dataset.busy === "yes" || "off" in b.dataset || Number(b.dataset.by) < now;
    }
    if (skew === null) return;
    for (const t of document.querySelectorAll("[data-until]")) {
      const left = Number(t.dataset.until) - now;
      write(t, left > 0 ? ", " + words(left) + " left" : ", " + t.dataset.over);
    }
  }

  // say shows what became of a press; a refusal stays until the next press.
  function say(text, refused) {
    clearTimeout(said);
    if (!refused) said = setTimeout(() => say("", true), answerShown);
    const answer = byId("answer");
    write(answer, text);
    answer.hidden = !text;
    answer.classList.toggle("refused", !!refused);
  }

  // press sends a form without leaving the page.
  async function press(form) {
    if (form.dataset.busy === "yes" && form.querySelector("[data-confirms]")) return;
    form.dataset.busy = "yes";
    tick();
    say("Asking the daemon…");
    const stop = new AbortController();
    const late = setTimeout(() => stop.abort(), answerWithin);
    try {
      const r = await fetch(form.action, {
        method: "POST", body: new URLSearchParams(new FormData(form)), headers: { Accept: "text/plain" }, signal: stop.signal,
      });
      if (r.status === 401) { location.reload(); return; }
      if (r.ok) {
        say(form.dataset.press);
        const then = form.dataset.then; // where what was asked for is shown
        if (then && !then.startsWith("/" + document.body.dataset.page + "#")) location.assign(then);
        else if (then) byId(then.split("#")[1]).scrollIntoView();
        if (form.id && byId(form.id)) byId(form.id).reset();
      } else say((await r.text()).trim(), true);
    } catch {
      say(lastWords() ? "Not taken: no daemon is there to take this press. Start it again, then press again." :
        "No answer from the daemon. Whether it took this press is not known: press again.", true);
    } finally {
      clearTimeout(late);
      delete form.dataset.busy;
      tick();
    }
  }

  document.addEventListener("submit", (e) => {
    if (!e.target.dataset.press) return;
    e.preventDefault();
    const button = e.target.querySelector("[data-confirms]");
    if (button && (stale() || lastWords() || "off" in button.dataset)) return;
    press(e.target);
  });
  // What changes a rig is held down, so that a brush of a glove does nothing.
  let holding = null; // {button, timer}
  let clicked = null; // the button that was clicked by something that cannot hold, e.g. a screen reader

  function down(button) {
    if (!button || button.disabled || holding) return;
    held = true;
    button.classList.add("holding");
    say("Keep holding…");
    holding = { button, timer: setTimeout(() => { navigator.vibrate?.(40); up(true); button.form.requestSubmit(); }, holdFor) };
  }

  function up(through) {
    held = false;
    setTimeout(() => { if (!held) show(); });
    if (!holding) return;
    clearTimeout(holding.timer);
    holding.button.classList.remove("holding");
    if (!through) say("Let go too early, so nothing was done: hold the button until its bar is full.");
    holding = null;
  }

  const toHold = (e) => e.target.closest?.("button[data-hold]");
  addEventListener("pointerdown", (e) => { held = true; if (e.button === 0) down(toHold(e)); }, true);
  for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => up(false), true);
  addEventListener("keydown", (e) => {
    if (!toHold(e) || e.key !== "Enter" && e.key !== " ") return;
    e.preventDefault();
    if (!e.repeat) down(toHold(e));
  });
  addEventListener("keyup", (e) => { if (toHold(e)) { e.preventDefault(); up(false); } });
  addEventListener("blur", () => up(false));
  addEventListener("contextmenu", (e) => { if (toHold(e)) e.preventDefault(); });
  addEventListener("click", (e) => {
    const button = toHold(e);
    if (!button) return;
    if (e.detail === 0 && clicked === button) { clicked = null; return; } // the second time: let it through
    e.preventDefault();
    if (e.detail !== 0) return; // of the pointer, which held or did not
    clicked = button;
    setTimeout(() => { if (clicked === button) clicked = null; }, answerShown);
    say("Press once more to do it: " + button.textContent.trim());
  }, true);
  document.addEventListener("visibilitychange", wake);
  addEventListener("pageshow", wake);
  addEventListener("online", wake);

  setInterval(() => {
    beat();
    tick();
    if (link && stale() && Date.now() - asked > staleAfter) lost();
  }, beatEvery);
  if (location.hash.startsWith("#k=")) history.replaceState(null, "", "/");
  connect();
})();
