"""The content policy in a real Chromium. That no page breaks it is proved where each page must log
nothing, in `test_board_browser_text.py`."""

from __future__ import annotations

import browser_fixtures as browser

NOTE = """document.addEventListener("securitypolicyviolation", event => console.log(
  `policy: ${event.effectiveDirective} ${event.blockedURI} ${event.sourceFile} ${event.sample}`))"""

pytestmark = browser.pytestmark


def test_a_plot_keeps_to_the_policy_and_what_it_must_stop_is_stopped_and_logged(full, visit):
    seen = visit("desk")
    page = browser.opened(seen, full, "/past")
    page.evaluate(NOTE)
    page.wait_for_selector(".scatterlayer .trace")
    page.hover(".plot .nsewdrag")
    seen.settled()
    assert seen.logged == []
    page.evaluate(
        """document.body.insertAdjacentHTML("beforeend",
             "<img src=x onerror='window.broken = 1'><style>body { color: red }</style>");
           const script = document.createElement("script");
           script.textContent = "window.broken = 2";
           document.body.append(script);"""
    )
    seen.settled()
    assert page.evaluate("window.broken") is None
    noted = [line for line in seen.logged if line.startswith("policy: ")]
    for directive in ("script-src-attr", "script-src-elem", "style-src-elem"):
        assert directive in " ".join(noted)
    itself = [line for line in seen.logged if "Content Security Policy" in line]
    assert len(itself) >= len(noted)  # so a page that is quiet keeps to its policy
