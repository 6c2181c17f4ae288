// Notices on this phone: asks the browser for a push subscription and hands it to the shop's computer.
(function () {
  "use strict";
  const WORKER = "/push-worker.js", GIVE_UP_MS = 15000;
  const section = () => document.getElementById("this-phone");
  const part = (name) => section().querySelector("[data-part=" + name + "]");

  function say(text, wrong) {
    const line = part("said");
    line.textContent = text;
    line.dataset.wrong = wrong ? "yes" : "no";
  }
  const able = () => window.isSecureContext && "serviceWorker" in navigator && "PushManager" in window;
  function bytes(text) { // base64url
    const raw = window.atob(text.replace(/-/g, "+").replace(/_/g, "/"));
    return Uint8Array.from(raw, (c) => c.charCodeAt(0));
  }
  async function mark(endpoint) { // as phones_page.mark
    const hash = await window.crypto.subtle.digest("SHA-256", new TextEncoder().encode(endpoint));
    return Array.from(new Uint8Array(hash).slice(0, 8), (b) => b.toString(16).padStart(2, "0")).join("");
  }
  async function subscription() {
    const worker = await navigator.serviceWorker.getRegistration("/");
    return worker ? worker.pushManager.getSubscription() : null;
  }
  async function ask(body) {
    let answer;
    try {
      answer = await fetch("/phone/do", {
        method: "POST", headers: { "Content-Type": "application/json" },
        body: JSON.stringify(body), signal: AbortSignal.timeout(GIVE_UP_MS),
      });
    } catch (e) {
      throw new Error("The shop's computer does not answer. Try again.");
    }
    const said = await answer.json().catch(() => ({}));
    if (!answer.ok) throw new Error(said.refused || said.later || "The board failed to answer. Try again.");
    return said;
  }

  async function show() {
    const on = part("on"), off = part("off");
    if (!able()) {
      on.hidden = off.hidden = true;
      if (window.isSecureContext) {
        say("This browser cannot receive notices. On an iPhone or iPad, add the board to the " +
          "Home Screen first and open it from there.", true);
      }
      return;
    }
    const found = await subscription();
    const known = found && section().dataset.marks.split(" ").includes(await mark(found.endpoint));
    on.hidden = Boolean(known);
    off.hidden = !known;
    part("state").textContent = known ? "Notices are on for this device." : "Notices are off for this device.";
  }

  const doing = {
    async on() {
      if (await Notification.requestPermission() !== "granted") {
        throw new Error("The browser does not allow notices from the board. Allow them in the " +
          "browser's settings for this site, then try again.");
      }
      await navigator.serviceWorker.register(WORKER, { scope: "/" });
      const worker = await navigator.serviceWorker.ready;
      const before = await worker.pushManager.getSubscription();
      if (before) await before.unsubscribe(); // it may be of another key
      let fresh;
      try {
        fresh = await worker.pushManager.subscribe({
          userVisibleOnly: true, applicationServerKey: bytes(section().dataset.key),
        });
      } catch (e) {
        throw new Error("The browser did not reach its push service. Notices need the internet, on " +
          "this device and on the shop's computer.");
      }
      const { endpoint, keys } = fresh.toJSON();
      try {
        await ask({ do: "add", name: document.getElementById("phone-name").value, endpoint, key: keys.p256dh, secret: keys.auth });
      } catch (problem) {
        await fresh.unsubscribe();
        throw problem;
      }
    },
    async off() {
      const found = await subscription();
      if (!found) return;
      await ask({ do: "remove", phone: found.endpoint });
      await found.unsubscribe();
    },
    async test() {
      const found = await subscription();
      await ask({ do: "test", phone: found.endpoint });
      return "A test notice is on its way.";
    },
    async remove(button) { await ask({ do: "remove", phone: button.dataset.phone }); },
  };

  document.addEventListener("click", async (event) => {
    const button = event.target.closest && event.target.closest("[data-push]");
    if (!button || !section() || button.disabled) return;
    button.disabled = true;
    say("");
    try {
      const said = await doing[button.dataset.push](button);
      if (said) say(said); else window.location.reload();
    } catch (problem) {
      say(problem.message, true);
    }
    button.disabled = false;
  });
  new MutationObserver(() => {
    const here = section();
    if (!here || here.dataset.shown) return;
    here.dataset.shown = "yes";
    if (part("on")) show().catch((problem) => say(problem.message, true));
  }).observe(document.documentElement, { subtree: true, childList: true });
})();
