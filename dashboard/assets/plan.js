// Plan: a step is dragged to another start in the plot of the days. What is sent is the request of its
// buttons. The plot's `meta` has the steps with their allowed starts.
(function () {
  "use strict";
  const MOUSE_PX = 8, FINGER_PX = 24, BEGIN_PX = 6, DRAW_MS = 200, SENT_MS = 20000;
  const byId = (id) => document.getElementById(id);
  let drag = null; // { id, key, shift, x, begun }: the pointer, the step, and where it was taken [ms]
  let sent = null; // { key, at, made, until }: shown until the next plan

  function plot() {
    const graph = document.querySelector("#repairs-plot .js-plotly-plot");
    const full = graph && graph._fullLayout, meta = graph && graph.layout && graph.layout.meta;
    if (!full || !full.xaxis || !meta || !meta.moves) return null;
    return { meta, x: full.xaxis, y: full.yaxis, box: graph.getBoundingClientRect() };
  }
  const across = (p, ms) => p.x._offset + p.x.l2p(ms);
  const time = (p, clientX) => p.x.p2l(clientX - p.box.left - p.x._offset);
  const stepOf = (p, key) => p.meta.moves.find((one) => one.repair === key.repair && one.step === key.step);

  function under(p, event) { // the nearest step of the row under the pointer
    const level = p.y.p2l(event.clientY - p.box.top - p.y._offset), x = event.clientX - p.box.left;
    const reach = event.pointerType === "mouse" ? MOUSE_PX : FINGER_PX;
    const far = (one) => Math.max(across(p, one.from_ms) - x, x - across(p, one.to_ms), 0);
    const near = p.meta.moves.filter((one) => Math.abs(one.row - level) < 0.5 && far(one) <= reach);
    return near.sort((one, other) => far(one) - far(other))[0] || null;
  }
  function snapped(p, one, ms) { // the allowed start nearest to a time, null where none is near
    const grid = p.meta.grid_ms;
    let best = null;
    for (const [first, last] of one.may) {
      const on = Math.round(ms / grid) * grid;
      const at = Math.min(Math.max(on, first), last);
      if (Math.abs(at - ms) <= grid && (best === null || Math.abs(at - ms) < Math.abs(best - ms))) best = at;
    }
    return best;
  }
  function whyNot(p, one, ms) {
    if (ms < p.meta.now_ms) return "This time has passed.";
    if (ms < one.first_ms) return one.first;
    if (!p.meta.hours.some(([opens, closes]) => opens <= ms && ms < closes)) return "The shop is closed then.";
    return p.meta.rest;
  }
  function words(p, ms) {
    return new Intl.DateTimeFormat("en-GB", {
      timeZone: p.meta.zone, weekday: "short", day: "numeric", hour: "2-digit", minute: "2-digit",
    }).format(ms);
  }

  function part(name, left, width, top, height) {
    const element = document.createElement("div");
    element.className = name;
    Object.assign(element.style, { left: left + "px", width: width + "px", top: top + "px", height: height + "px" });
    return element;
  }
  function draw() {
    const layer = byId("repairs-drag"), p = plot();
    if (sent && (!p || p.meta.made_ms !== sent.made || performance.now() > sent.until)) sent = null;
    const key = drag && drag.begun ? drag.key : sent && sent.key;
    const one = p && key ? stepOf(p, key) : null;
    if (drag && drag.begun && p && !one) return stop("This step is no longer in the plan.");
    if (!layer) { drag = null; return; }
    layer.dataset.dragging = drag && drag.begun ? "yes" : "no";
    if (!one) { layer.replaceChildren(); return; }
    const row = Math.abs(p.y.l2p(1) - p.y.l2p(0)), middle = p.y._offset + p.y.l2p(one.row);
    const parts = [], clip = (x) => Math.min(Math.max(x, p.x._offset), p.x._offset + p.x._length);
    let at = sent && sent.at, text = at ? words(p, at) : "";
    if (drag && drag.begun) {
      for (const [first, last] of one.may) {
        const left = clip(across(p, first)), right = clip(across(p, last));
        if (right > left) parts.push(part("may", left, right - left, middle - row / 2, row));
      }
      const wanted = time(p, drag.x) - drag.shift;
      at = snapped(p, one, wanted);
      text = at === null ? whyNot(p, one, wanted) : words(p, at);
      drag.at = at; drag.why = at === null ? text : "";
      at = at === null ? wanted : at;
    }
    const left = across(p, at), width = Math.max(across(p, one.to_ms) - across(p, one.from_ms), 6);
    const ghost = part("ghost", left, width, middle - row * 0.31, row * 0.62);
    if (drag && drag.begun && drag.at === null) ghost.classList.add("not");
    const label = document.createElement("div");
    label.className = "at";
    label.textContent = text;
    layer.replaceChildren(...parts, ghost, label);
    const room = p.box.width - label.offsetWidth, above = middle - row / 2 - label.offsetHeight;
    label.style.left = Math.max(Math.min(left, room), 0) + "px";
    label.style.top = (above > 0 ? above : middle + row / 2) + "px";
  }
  window.setInterval(() => { if (drag || sent) draw(); }, DRAW_MS); // a plan may arrive meanwhile

  function say(text) {
    const line = byId("repairs-drag-said");
    if (line) line.textContent = text;
  }
  function stop(text) {
    const layer = byId("repairs-drag");
    if (layer && drag && layer.hasPointerCapture(drag.id)) layer.releasePointerCapture(drag.id);
    drag = null;
    say(text);
    draw();
  }
  function send(p, key, at) {
    const one = stepOf(p, key), button = document.createElement("button");
    Object.assign(button.dataset, {
      do: "move", about: "repair", repair: key.repair, step: key.step, fixed: String(at),
      said: one.label + ": moved to " + words(p, at) + ".",
    });
    button.hidden = true;
    byId("repairs-drag").append(button);
    button.click();
    button.remove();
  }

  document.addEventListener("pointerdown", (event) => {
    if (drag || !event.isPrimary || event.button !== 0 || !event.target.closest("#repairs-plot")) return;
    const p = plot(), one = p && under(p, event);
    if (!one) return;
    say("");
    drag = { id: event.pointerId, key: { repair: one.repair, step: one.step }, begun: false,
             shift: time(p, event.clientX) - one.from_ms, x: event.clientX, first: event.clientX };
  });
  document.addEventListener("pointermove", (event) => {
    const area = event.target.closest ? event.target.closest("#repairs-plot") : null;
    if (!drag) {
      if (area) { const p = plot(); area.dataset.over = p && under(p, event) ? "yes" : "no"; }
      return;
    }
    if (event.pointerId !== drag.id) return;
    drag.x = event.clientX;
    if (!drag.begun && Math.abs(drag.x - drag.first) > BEGIN_PX) {
      drag.begun = true;
      sent = null;
      byId("repairs-drag").setPointerCapture(drag.id); // the plot below may be drawn again
    }
    if (drag.begun) draw();
  });
  document.addEventListener("pointerup", (event) => {
    if (!drag || event.pointerId !== drag.id) return;
    if (!drag.begun) { drag = null; return; }
    drag.x = event.clientX;
    draw();
    if (!drag) return; // the step is gone
    const { key, at, why } = drag, p = plot();
    if (p && at !== null && at !== stepOf(p, key).from_ms) {
      send(p, key, at);
      sent = { key, at, made: p.meta.made_ms, until: performance.now() + SENT_MS };
    }
    stop(why ? "Not moved. " + why : "");
  });
  document.addEventListener("pointercancel", (event) => { // the page scrolls instead
    if (drag && event.pointerId === drag.id) stop("");
  });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape" && drag) stop(""); });
})();
