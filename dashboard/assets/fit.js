// Fits Air and the wall page into the screen: drops detail in a fixed order until all that is left
// has room, then makes the figures as large as the room allows. A phone or a low window scrolls.
(function () {
  "use strict";
  const ORDER = ["sparks", "derived", "rest", "bars", "ribbon", "fourth", "strip", "whats", "then",
    "third", "foot", "alerts", "advice", "meaning",
    "detail"];
  const LEAST = 78, LOW = 96, FEW = 186, MOST = 460; // heights of the type of figures, in units of the screen
  const SMALLER = [1, 0.94, 0.88, 0.82, 0.76, 0.7]; // last of all, everything is smaller
  const root = document.documentElement;
  const wall = root.hasAttribute("data-wall");

  function shape() {
    const wide = window.innerWidth, high = window.innerHeight;
    if (wall || (wide >= 1000 && high >= 700) || (wide >= 760 && high > wide)) {
      return high > wide ? "tall" : "wide";
    }
    return null;
  }

  function fits(air) {
    if (air.scrollHeight > air.clientHeight + 1 || air.scrollWidth > air.clientWidth + 1) return false;
    const low = air.getBoundingClientRect().bottom + 0.5; // a height to scroll is rounded
    for (const part of air.children) {
      if (part.getBoundingClientRect().bottom > low) return false;
    }
    for (const part of air.querySelectorAll(".in, .who, .clamps li, .clamps .when, .ribbon-said")) {
      if (part.scrollWidth > part.clientWidth + 1) return false;
    }
    return true;
  }

  function fit() {
    const air = document.getElementById("air");
    const places = air && air.querySelector(".places");
    const now = places && !air.querySelector(".air-search") ? shape() : null; // a long list scrolls
    root.removeAttribute("data-scrolls");
    for (const name of ["--fig", "--smaller"]) root.style.removeProperty(name);
    if (!now) { root.removeAttribute("data-fit"); root.removeAttribute("data-drop"); return; }
    if (air.querySelector("details[open]")) { root.setAttribute("data-scrolls", ""); return; }
    root.dataset.fit = now;
    places.dataset.many = places.children.length > 4 ? "yes" : "no";
    const figures = (size) => root.style.setProperty("--fig", "calc(" + size + " * var(--u))");
    const found = settle(air, figures);
    if (!found) { // it scrolls
      for (const name of ["data-fit", "data-drop"]) root.removeAttribute(name);
      for (const name of ["--fig", "--smaller"]) root.style.removeProperty(name);
      return;
    }
    let size = grown(air, figures, found);
    for (const one of places.children.length < 3 ? ["sparks", "derived", "bars", "meaning", "whats"] : []) {
      if (size >= FEW) break; // one or two places: large figures before detail
      root.dataset.drop += " " + one;
      size = grown(air, figures, found);
    }
    figures(Math.floor(size));
  }

  // The largest height of type at which all has room, from one at which it has.
  function grown(air, figures, from) {
    let size = from, most = MOST;
    while (most - size > 6) {
      const middle = (size + most) / 2;
      figures(middle);
      if (fits(air)) size = middle; else most = middle;
    }
    return size;
  }

  // Drops what must go; the height of type at which the rest has room, 0 if it has none.
  function settle(air, figures) {
    for (const smaller of SMALLER) {
      root.style.setProperty("--smaller", smaller);
      for (const least of smaller === 1 ? [LOW, LEAST] : [LEAST]) {
        figures(least);
        for (let n = least === LOW ? 0 : 7; n <= ORDER.length; n += 1) {
          const dropped = new Set(ORDER.slice(0, n));
          root.dataset.drop = [...dropped].join(" ");
          if (!fits(air)) continue;
          for (const one of [...dropped].reverse()) { // what went in vain comes back
            dropped.delete(one);
            root.dataset.drop = [...dropped].join(" ");
            if (!fits(air)) dropped.add(one);
          }
          root.dataset.drop = [...dropped].join(" ");
          return least;
        }
      }
    }
    return 0;
  }

  new MutationObserver((changes) => {
    const real = changes.some((change) => {
      const at = change.target.nodeType === 3 ? change.target.parentElement : change.target;
      return !(at?.nodeType === 1 && at.closest(".heard, .clock, .js-plotly-plot"));
    });
    if (real && (document.getElementById("air") || root.dataset.fit)) fit();
  }).observe(document.documentElement, {
    subtree: true, childList: true, characterData: true,
    attributes: true, attributeFilter: ["hidden"], // a notice comes or goes
  });
  window.addEventListener("resize", fit);
  document.addEventListener("toggle", fit, true);
  document.fonts?.ready.then(fit);
  document.fonts?.addEventListener("loadingdone", fit); // of a text that came later
})();
