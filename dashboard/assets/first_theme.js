// Sets the theme before anything is drawn. Loaded in the head, so that no page flashes.
(function () {
  "use strict";
  // Dash and the plots put style blocks into the page. The content policy takes those with the nonce
  // of this page: the ones that a script of the board makes, never one that comes in as text.
  const nonce = document.currentScript.nonce, make = Document.prototype.createElement;
  Document.prototype.createElement = function (...what) {
    const made = make.apply(this, what);
    if (made instanceof HTMLStyleElement) made.nonce = nonce;
    return made;
  };
  const KEY = "benchweather.theme";
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const strong = window.matchMedia("(prefers-contrast: more)");
  function chosen() {
    let kept = null;
    try { kept = window.localStorage.getItem(KEY); } catch (e) { kept = null; }
    return ["day", "night", "contrast"].includes(kept) ? kept : "auto";
  }
  function apply(choice) {
    let theme = choice;
    if (choice === "auto") theme = strong.matches ? "contrast" : dark.matches ? "night" : "day";
    document.documentElement.dataset.theme = theme;
    return theme;
  }
  function keep(choice) {
    try { window.localStorage.setItem(KEY, choice); } catch (e) { /* kept for this page only */ }
  }
  window.boardTheme = { chosen, apply, keep, media: [dark, strong] };
  apply(chosen());
})();
