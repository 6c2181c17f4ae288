// The wall page: fetches its content again at each change and once a minute, takes the light from
// the shop's hours, and moves by some pixels now and then, so that nothing burns into the screen.
(function () {
  "use strict";
  const RENEW_MS = 60000, GIVE_UP_MS = 15000, STEP_MS = 180000, REACH = 6; // reach in pixels
  const root = document.documentElement;
  const place = document.getElementById("wall");

  function light() {
    const air = document.getElementById("air");
    const closed = air !== null && air.dataset.open === "no";
    const urgent = document.querySelector(".urgent, .calling [data-urgency='3']") !== null;
    if (closed && root.dataset.theme === "day") root.dataset.theme = "night";
    else if (!closed) window.boardTheme.apply(window.boardTheme.chosen());
    root.dataset.dim = closed && !urgent ? "yes" : "no";
  }

  function shift() { // around a square, one step in three minutes
    const at = Math.floor(Date.now() / STEP_MS) % 8;
    const [x, y] = [[-1, -1], [0, -1], [1, -1], [1, 0], [1, 1], [0, 1], [-1, 1], [-1, 0]][at];
    root.style.setProperty("--shift-x", x * REACH + "px");
    root.style.setProperty("--shift-y", y * REACH + "px");
  }

  function styled() {
    for (const element of place.querySelectorAll("[data-style]")) {
      element.style.cssText = element.dataset.style;
      element.removeAttribute("data-style");
    }
  }

  styled();
  let last = "";
  window.boardRenew = async () => { // true once the new content is shown
    const answer = await fetch("/wall/content", {
      cache: "no-store", redirect: "error", signal: AbortSignal.timeout(GIVE_UP_MS),
    });
    if (!answer.ok) throw new Error("not well");
    const text = await answer.text();
    if (text !== last) { place.innerHTML = text; last = text; styled(); }
    light();
    shift();
    return true;
  };
  // A newer board may have other styles: load the page again, but only where it would come.
  window.boardReload = async () => {
    const answer = await fetch("/wall", { cache: "no-store", redirect: "error" });
    if (answer.ok) window.location.reload();
  };
  window.addEventListener("DOMContentLoaded", () => {
    light();
    shift();
    window.setInterval(() => { window.boardRenew().catch(() => {}); }, RENEW_MS);
  });
})();
