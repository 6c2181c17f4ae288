// The little that only the browser can do: the clock, ages that grow, the theme, the page's
// address, and noticing that the store, the server or the connection has changed.
(function () {
  "use strict";
  const POLL_MS = 1000, GIVE_UP_MS = 4000, LOST_AFTER = 2, RESTART_MS = 60000, LETTERS_MS = 1000;
  const TYPING_MS = 20000; // a redraw would empty a search that is not sent yet
  let ahead = 0;          // how far the shop's clock runs ahead of this device's [ms]
  let zone = undefined;   // the shop's time zone
  let token = null, failures = 0, lastHeard = null;
  const start = document.documentElement.dataset.start; // of the board that made this page

  // Answers that Dash waits for. While there is one the page is not told that there is more to
  // show: it would drop the answer for the next one, and one slower than a second for ever.
  let awaited = 0;
  const plainFetch = window.fetch;
  // The library of the plots is the last script, so that it is read while the first answers are on
  // their way. No page is made before it is there: Dash would load a larger one of its own.
  // And none before its letters are there, or it jumps when they come.
  const ready = new Promise((done) => {
    if (document.readyState !== "loading") done(); else document.addEventListener("DOMContentLoaded", done);
  });
  const letters = Promise.allSettled([400, 600, 700].map((weight) => document.fonts.load(weight + ' 1em "Atkinson Hyperlegible Next"')));
  const late = new Promise((done) => window.setTimeout(done, LETTERS_MS));
  const complete = Promise.all([ready, Promise.race([letters, late])]);
  const asked = window.boardAsked || [];
  function alreadyAsked(what, options) { // by `first_answers.js`, in the very same words
    const { pathname } = new URL(what.url || what, window.location), body = (options || {}).body;
    const same = asked.findIndex((one) => one.path === pathname && one.body === body);
    const found = same < 0 ? null : asked.splice(same, 1)[0].answer;
    if (String(body).includes("_pages_content")) asked.length = 0; // what is left would be old later
    return found;
  }
  window.fetch = function (what, options) {
    let answer = alreadyAsked(what, options) || plainFetch.call(window, what, options);
    if (String(what.url || what).includes("_dash-update-component")) {
      const first = answer;
      answer = complete.then(() => first);
      const over = () => { awaited -= 1; };
      awaited += 1;
      answer.then(over, over);
    }
    return answer;
  };

  const now = () => Date.now() + ahead;
  window.boardNow = () => Math.round(now());
  const parts = (options) => new Intl.DateTimeFormat("en-GB", { timeZone: zone, ...options });

  function age(seconds) { // formats.age says the same
    const s = Math.max(0, Math.floor(seconds));
    if (s < 90) return s + " s ago";
    if (s < 90 * 60) return Math.floor(s / 60) + " min ago";
    if (s < 36 * 3600) return Math.floor(s / 3600) + " h ago";
    const days = Math.floor(s / 86400);
    return days + (days === 1 ? " day ago" : " days ago");
  }

  function write(element, text) {
    if (element && element.textContent !== text) element.textContent = text;
  }

  function bring(link) { // a menu of one row that scrolls shows where one is
    const row = link.parentElement, free = row.clientWidth - link.offsetWidth;
    row.scrollLeft += link.getBoundingClientRect().left - row.getBoundingClientRect().left - free / 2;
  }
  function tick() {
    for (const link of document.querySelectorAll(".steps-nav:not([data-brought]) .here")) {
      link.parentElement.dataset.brought = "yes";
      bring(link);
    }
    for (const element of document.querySelectorAll("[data-heard]")) {
      const seconds = (now() - Number(element.dataset.heard)) / 1000;
      write(element, age(seconds));
      element.dataset.old = seconds > Number(element.dataset.staleS) ? "yes" : "no";
    }
    if (zone) {
      const day = parts({ weekday: "short", day: "numeric", month: "short" })
        .format(now()).replace(",", "").replace("Sept", "Sep");
      const time = parts({ hour: "2-digit", minute: "2-digit", hour12: false }).format(now());
      write(document.querySelector(".clock"), day + " " + time);
    }
    for (const link of document.querySelectorAll("header nav a")) {
      const path = link.getAttribute("href");
      const here = window.location.pathname;
      if (path === here || (path !== "/" && here.startsWith(path + "/"))) {
        const wide = String(link.parentElement.scrollWidth); // more with open alerts
        if (link.hasAttribute("aria-current") && link.dataset.wide === wide) continue;
        link.setAttribute("aria-current", "page");
        link.dataset.wide = wide;
        bring(link);
      } else if (link.hasAttribute("aria-current")) link.removeAttribute("aria-current");
    }
  }

  function lost(isLost) {
    const element = document.getElementById("lost");
    if (!element) return;
    const restarts = Date.now() - (window.boardRestartsMs || 0) < RESTART_MS; // the page has said so
    if (!isLost || restarts) { element.hidden = true; return; }
    const since = lastHeard === null ? now() : lastHeard;
    const time = parts({ hour: "2-digit", minute: "2-digit", hour12: false }).format(since);
    const old = age(Math.max(60, (now() - since) / 1000)).replace(" ago", "");
    write(element, "This page has had no connection to Benchweather since " + time + ". Its figures are " +
      (now() - since < 60000 ? "less than a minute" : old) + " old. Check that the shop's " +
      "computer is on and Benchweather runs.");
    element.hidden = false;
  }

  let typedMs = -TYPING_MS;
  document.addEventListener("input", (event) => {
    if (event.target.closest('form[role="search"]')) typedMs = Date.now();
  });

  async function ask() {
    try {
      const sent = Date.now();
      const answer = await fetch("/here", {
        cache: "no-store", signal: AbortSignal.timeout(GIVE_UP_MS),
      });
      if (!answer.ok) throw new Error("not well");
      const said = await answer.json();
      failures = 0;
      // The shop's clock showed this at some moment between sent and now
      ahead = Math.max(said.now_ms - Date.now(), Math.min(said.now_ms - sent, 0));
      if (Math.abs(ahead) < 500) ahead = 0;
      zone = said.zone;
      lastHeard = now();
      lost(false);
      if (start !== said.start) {
        if (window.boardReload) await window.boardReload(); else window.location.reload();
        return;
      }
      const drawn = document.querySelector(".board[data-drawn]");
      if (token === null && drawn) token = drawn.dataset.drawn; // what the page was drawn from
      if (window.boardRenew) { // the wall page
        if (said.token !== token && await window.boardRenew()) token = said.token;
      } else if (said.token !== token && !awaited && Date.now() - typedMs > TYPING_MS
          && window.dash_clientside && window.dash_clientside.set_props && document.getElementById("troubles")) {
        token = said.token;
        if (document.querySelector("[data-failed]")) window.location.reload(); // its parts are not there
        else window.dash_clientside.set_props("token", { data: token });
      }
    } catch (problem) {
      failures += 1;
      if (failures >= LOST_AFTER) lost(true);
    }
  }

  async function keepAsking() {
    await ask();
    tick();
    window.setTimeout(keepAsking, POLL_MS);
  }

  // Dash calls its groups of native inputs list boxes, which they are not: a reader of the page
  // aloud would promise what the keyboard does not do. The inputs themselves say all there is.
  const MISNAMED = '[role="listbox"], label[role="option"], label[aria-selected]';
  function mend() {
    for (const element of document.querySelectorAll(MISNAMED)) {
      for (const name of ["role", "aria-selected", "aria-multiselectable", "aria-label"]) {
        element.removeAttribute(name);
      }
      if (element.tagName !== "LABEL") element.removeAttribute("tabindex");
    }
  }
  new MutationObserver(mend).observe(document.documentElement, {
    subtree: true, childList: true, attributes: true, attributeFilter: ["role", "aria-selected"],
  });

  // The focus stays where the hand was when the page redraws what had it
  let hand = null;
  const PASSING = new Set(["data-asked", "data-word", "data-sure", "data-state", "data-ready", "data-cautions"]);
  function selectorOf(element) {
    if (element.id) return "#" + CSS.escape(element.id);
    return element.localName + Array.from(element.attributes)
      .filter((a) => (a.name.startsWith("data-") && !PASSING.has(a.name)) || a.name === "href")
      .map((a) => "[" + a.name + "=" + JSON.stringify(a.value) + "]").join("");
  }
  function remembered(element) { // enough to find it again on the next drawing of the page
    const around = [];
    for (let one = element.parentElement; one && one.localName !== "main"; one = one.parentElement) {
      if (one.id || one.dataset.wait || one.dataset.unfold) around.push(selectorOf(one));
    }
    const own = selectorOf(element), scope = document.querySelector(around[0]) || document;
    return { element, around, own, at: Array.from(scope.querySelectorAll(own)).indexOf(element) };
  }
  function redrawn({ around, own, at }) {
    const scope = around.length ? document.querySelector(around[0]) : document;
    return scope && Array.from(scope.querySelectorAll(own))[at];
  }
  document.addEventListener("focusin", (event) => { hand = remembered(event.target); });
  document.addEventListener("focusout", (event) => window.setTimeout(() => {
    if (hand && hand.element === event.target && event.target.isConnected) hand = null;
  }));
  function refocus(settled) {
    if (!hand || hand.element.isConnected) return;
    if (document.activeElement && document.activeElement !== document.body) { hand = null; return; }
    let again = redrawn(hand);
    if (!again && settled) { // it is gone: what was around it still leads on to the next
      again = hand.around.map((one) => document.querySelector(one)).find(Boolean);
      if (again) again.tabIndex = -1;
    }
    if (again || settled) hand = null;
    if (again) again.focus({ preventScroll: true });
  }

  // A browser drops a tap when the page redraws between its press and its release, or moves what was
  // pressed away; on a touch screen it gives it to what lies under the finger by then.
  const TAPPED = "button, a[href], summary", STILL_PX = 12, CLICK_MS = 350;
  let press = null;
  function tapped(event) {
    const element = event.target.closest ? event.target.closest(TAPPED) : null;
    press = element && event.isPrimary && event.button === 0
      ? { ...remembered(element), text: element.textContent, x: event.clientX, y: event.clientY, place: placeOf(element) } : null;
  }
  function placeOf(element) { // on the page, wherever that is scrolled
    const box = element.getBoundingClientRect();
    return [box.left + window.scrollX, box.top + window.scrollY];
  }
  function movedAway(was, x, y) {
    const shown = was.element.getClientRects().length > 0; // else it was folded away
    const [left, top] = placeOf(was.element);
    return shown && Math.hypot(left - was.place[0], top - was.place[1]) > 1 &&
      !was.element.contains(document.elementFromPoint(x, y));
  }
  function meant(was) { // a button that names nothing may by now be about something else
    if (was.element.isConnected) return was.element;
    const again = redrawn(was);
    if (!again || was.own === "button") return null;
    return was.own !== "summary" || again.textContent === was.text ? again : null;
  }
  function released(event) {
    const was = press;
    if (!was) return;
    if (Math.hypot(event.clientX - was.x, event.clientY - was.y) > STILL_PX) { press = null; return; }
    was.missed = !was.element.isConnected || movedAway(was, event.clientX, event.clientY);
    was.released = true;
    window.setTimeout(() => { // on a touch screen a click may still come
      if (press !== was) return;
      press = null;
      const again = was.missed && meant(was);
      if (again) again.click();
    }, event.pointerType === "touch" ? CLICK_MS : 0);
  }
  function clicked(event) {
    const was = press, element = event.target.closest(TAPPED);
    if (!event.isTrusted || !element || !was || !was.released) return;
    if (element === meant(was)) { press = null; return; }
    was.missed = true;
    event.preventDefault();
    event.stopImmediatePropagation();
  }
  document.addEventListener("pointerdown", tapped, true);
  document.addEventListener("pointerup", released, true);
  document.addEventListener("click", clicked, true);
  for (const other of ["pointercancel", "contextmenu"]) document.addEventListener(other, () => { press = null; }, true);

  let settling = 0;
  new MutationObserver(() => {
    refocus(false); // at once: a key that waits for the drawing would go to nothing
    window.clearTimeout(settling);
    settling = window.setTimeout(refocus, 0, true);
  }).observe(document.documentElement, { subtree: true, childList: true });

  // The skip link leads past the menus, to what the page itself has
  document.addEventListener("click", (event) => {
    if (!event.target.closest || !event.target.closest("#skip-menu")) return;
    const main = document.querySelector("main");
    const first = main && (main.querySelector(":scope > .steps-nav ~ :not(:empty)") || main);
    if (!first) return;
    event.preventDefault();
    first.tabIndex = -1;
    first.focus();
  });

  function screen() {
    return { theme: document.documentElement.dataset.theme, width: window.innerWidth };
  }

  function changed() {
    if (window.dash_clientside && window.dash_clientside.set_props) {
      window.dash_clientside.set_props("screen", { data: screen() });
    }
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    board: {
      chosen: () => window.boardTheme.chosen(),
      screen: (choice) => {
        if (!choice) return window.dash_clientside.no_update;
        window.boardTheme.keep(choice);
        window.boardTheme.apply(choice);
        return screen();
      },
      outlook: (place, quantity) => window.dash_clientside.board.address(place && { place, quantity }),
      address: (view) => {
        if (view && /^\/(past|coming)\b/.test(window.location.pathname)) {
          const query = new URLSearchParams(view);
          window.history.replaceState(window.history.state, "", "?" + query.toString());
        }
        return window.dash_clientside.no_update;
      },
    },
  });

  for (const media of window.boardTheme.media) {
    media.addEventListener("change", () => {
      if (window.boardTheme.chosen() === "auto") { window.boardTheme.apply("auto"); changed(); }
    });
  }
  let resizing = 0, width = window.innerWidth;
  window.addEventListener("resize", () => {
    window.clearTimeout(resizing);
    resizing = window.setTimeout(() => {
      if (Math.abs(window.innerWidth - width) > 60) { width = window.innerWidth; changed(); }
    }, 400);
  });
  window.setInterval(tick, 1000);
  if (document.readyState === "loading") window.addEventListener("DOMContentLoaded", keepAsking);
  else keepAsking();

  // On paper a plot is drawn anew for the width of a page, and scaled to it by its viewBox
  const PAPER = { width: 1240, height: 660 };
  const plots = () => document.querySelectorAll(".js-plotly-plot");
  window.addEventListener("beforeprint", () => {
    for (const plot of plots()) {
      window.Plotly.relayout(plot, { ...PAPER, autosize: false });
      for (const svg of plot.querySelectorAll(".main-svg"))
        svg.setAttribute("viewBox", "0 0 " + PAPER.width + " " + PAPER.height);
    }
  });
  window.addEventListener("afterprint", () => {
    for (const plot of plots()) {
      for (const svg of plot.querySelectorAll(".main-svg")) svg.removeAttribute("viewBox");
      window.Plotly.relayout(plot, { width: null, height: null, autosize: true });
    }
  });
})();
