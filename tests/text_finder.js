// Texts that cannot be read as a page stands: cut off by a box that does not scroll, outside of the
// page, or with another text upon them. Hidden texts, those for readers aloud only, and plots are
// left out. Answers with a list of sentences.
() => {
  const MARGIN = 1.5;
  const found = [];
  const boxes = [];
  const root = document.documentElement;
  const clips = (value) => value === "hidden" || value === "clip";
  const scrolls = (value) => value === "auto" || value === "scroll";
  const pageClips = clips(getComputedStyle(document.body).overflowY) || clips(getComputedStyle(root).overflowY);
  const unseen = (element) => {
    for (let at = element; at && at !== document.body; at = at.parentElement) {
      const style = getComputedStyle(at);
      if (style.clipPath === "inset(50%)" || style.opacity === "0") return true;
      if (at.matches(".skip:not(:focus)")) return true;  // comes into sight with the focus
      if (at.offsetWidth <= 1 && at.offsetHeight <= 1 && style.position === "absolute") return true;
    }
    return false;
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const parent = node.parentElement;
    const words = node.textContent.trim();
    if (!words || parent.closest("svg, script, style, noscript, select, textarea, .js-plotly-plot")) continue;
    if (!parent.checkVisibility({ visibilityProperty: true }) || unseen(parent)) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const said = `"${words.slice(0, 50)}" in ${parent.className || parent.tagName}`;
    for (const rect of range.getClientRects()) {
      if (rect.width < 2 || rect.height < 2) continue;
      // letters stand in the middle of a line's box
      const inset = rect.height * 0.27;
      let [left, right, top, bottom] = [rect.left + 1, rect.right - 1, rect.top + inset, rect.bottom - inset];
      let reachable = false, cut = "", fixed = false;
      for (let at = parent; at && at !== document.body && at !== root; at = at.parentElement) {
        const style = getComputedStyle(at);
        if (style.position === "fixed" || style.position === "sticky") fixed = true;
        if (style.display === "inline" || style.display === "contents") continue;
        const own = at.getBoundingClientRect();
        const more = style.overflowX === "clip" ? parseFloat(style.overflowClipMargin) || 0 : 0;
        if (clips(style.overflowX) && (left < own.left - more - MARGIN || right > own.right + more + MARGIN)) cut = cut || at.className || at.tagName;
        if (clips(style.overflowY) && (top < own.top - more - MARGIN || bottom > own.bottom + more + MARGIN)) cut = cut || at.className || at.tagName;
        if (scrolls(style.overflowX) || scrolls(style.overflowY)) {
          reachable = true;
          left = Math.max(left, own.left); right = Math.min(right, own.right);
          top = Math.max(top, own.top); bottom = Math.min(bottom, own.bottom);
          if (right <= left || bottom <= top) break;
        }
      }
      if (right <= left || bottom <= top) continue;
      if (cut) found.push(`cut by ${cut}: ${said}`);
      if (!reachable) {
        const x = left + scrollX, y = top + scrollY;
        if (x < -MARGIN || y < -MARGIN) found.push(`before the page: ${said}`);
        if (right + scrollX > Math.max(root.scrollWidth, innerWidth) + MARGIN) found.push(`beside the page: ${said}`);
        if (pageClips && (bottom > innerHeight + MARGIN || right > innerWidth + MARGIN)) found.push(`off the screen: ${said}`);
      }
      if (!fixed) boxes.push({ left, right, top, bottom, said, node });
    }
  }
  if (root.scrollWidth > innerWidth + 1) found.push(`the page is ${root.scrollWidth - innerWidth} px wider than the screen`);
  boxes.sort((a, b) => a.top - b.top);
  for (let i = 0; i < boxes.length; i += 1) {
    const one = boxes[i];
    for (let j = i + 1; j < boxes.length && boxes[j].top < one.bottom - MARGIN; j += 1) {
      const other = boxes[j];
      if (other.node === one.node || other.left > one.right - MARGIN || other.right < one.left + MARGIN) continue;
      found.push(`one upon the other: ${one.said} and ${other.said}`);
    }
  }
  if (!boxes.length) found.push("no text was looked at");
  return [...new Set(found)].slice(0, 12);
}
