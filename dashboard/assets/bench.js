// Taps at the bench. Each becomes a command with an id of its own and the moment of the tap, is kept
// on this device until the shop's computer has answered, and is carried out once however often it
// is sent. What is typed into fields is kept on this device too.
(function () {
  "use strict";
  const OUTBOX = "benchweather.outbox", DRAFT = "benchweather.draft.", BY = "benchweather.by";
  const AWAY = "benchweather.away.", SKIPPED = "benchweather.skipped", AGAIN_MS = 3000, GIVE_UP_MS = 15000, DOUBLE_MS = 1200, STRAY_MS = 450, SAID_MS = 60000, ASKED_MS = 5000, STALE_MS = 120000;
  const MISTAKE = "Opened by mistake.";
  const CARRIED = ["about", "instrument", "wait", "kind", "place", "feel", "like", "alert", "rule", "reservoir", "minutes", "on", "sensor", "salt", "quantity", "number", "line", "of", "glue", "proof", "step", "channel", "version", "change", "remove", "add", "close", "first", "newcomer", "every", "all", "as_dated", "from_ms", "why", "never_shorter", "repair", "stock", "fixed"];
  const ofTap = (data, name) => data[name.replace(/_(.)/g, (_, letter) => letter.toUpperCase())];
  let chosen = null;       // the kind that was tapped: { id, name, cautions, openId }
  let sending = false, lastTap = { key: "", at: -Infinity };

  const byId = (id) => document.getElementById(id);
  const clock = () => (window.boardNow ? window.boardNow() : Date.now());

  function read(key, otherwise) {
    try { return JSON.parse(window.localStorage.getItem(key)) ?? otherwise; } catch (e) { return otherwise; }
  }
  function keep(key, value) {
    try {
      if (value === null) window.localStorage.removeItem(key);
      else window.localStorage.setItem(key, JSON.stringify(value));
    } catch (e) { /* kept for this page only */ }
  }
  function newId() { // crypto.randomUUID is not there on plain http
    const bytes = window.crypto.getRandomValues(new Uint8Array(16));
    return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  }
  function set(id, props) {
    if (window.dash_clientside && window.dash_clientside.set_props) window.dash_clientside.set_props(id, props);
  }

  // Telling what became of a tap
  let fading = 0, reply = null;   // what was opened last: { waits, opened }
  function say(text, taps) {
    const element = byId("bench-said");
    if (!text || !reply || !text.startsWith(reply.opened)) reply = null;
    if (!element) return;
    window.clearTimeout(fading);
    if (text && !sending) fading = window.setTimeout(() => say(""), SAID_MS);
    element.replaceChildren();
    if (!text) return;
    const words = document.createElement("span");
    words.textContent = text;
    element.append(words, ...(taps || []));
  }
  function keepReply() { // one time for one wait: the reply's is that of its row
    const row = reply && document.querySelector('.wait[data-wait~="' + reply.waits[0] + '"]');
    const words = row && byId("bench-said") && byId("bench-said").querySelector("span");
    const text = row ? reply.opened + ": " + row.dataset.ready + "." : "";
    if (words && words.textContent !== text) words.textContent = text;
  }
  const takeIn = (reference) => "/wood/new?reference=" + encodeURIComponent(reference);
  function linkElement(text, href) {
    const link = document.createElement("a");
    link.className = "tap"; link.textContent = text; link.href = href;
    return link;
  }
  let refusal = { text: "", path: "" }; // said again if the page is drawn anew
  function refuse(text) {
    refusal = { text: text || "", path: window.location.pathname };
    const element = byId("bench-refused");
    if (element) element.textContent = refusal.text;
  }
  function keepRefusal() {
    const element = byId("bench-refused");
    if (refusal.path !== window.location.pathname) refusal.text = "";
    if (element && refusal.text && !element.textContent) element.textContent = refusal.text;
  }
  function tapElement(text, act) {
    const button = document.createElement("button");
    button.type = "button"; button.className = "tap"; button.textContent = text;
    button.addEventListener("click", act);
    return button;
  }

  // The outbox: first in, first out; nothing leaves it but by an answer or by the hand
  let secrets = []; // taps with a password: in the memory of this page only
  const waitingTaps = () => read(OUTBOX, []).concat(secrets);
  function post(items) {
    if (items.some((item) => item.secret)) secrets = secrets.concat(items);
    else keep(OUTBOX, read(OUTBOX, []).concat(items));
    flush();
  }
  async function flush() {
    if (sending) return;
    const waiting = waitingTaps();
    if (!waiting.length) return;
    sending = true;
    const item = waiting[0];
    const { answer, status } = await send(item);
    sending = false;
    if (answer === null || status >= 500) {
      const n = waitingTaps().length;
      say((answer && answer.later ? answer.later + " " : "The board cannot be reached. ") +
        (n === 1 ? "Your tap is" : "Your " + n + " taps are") + " kept here and sent again.",
        [tapElement("Discard", () => { keep(OUTBOX, null); secrets = []; say(""); })]);
      window.setTimeout(flush, AGAIN_MS);
      return;
    }
    const others = (taps) => taps.filter((other) => other.command.id !== item.command.id);
    keep(OUTBOX, others(read(OUTBOX, [])));
    secrets = others(secrets);
    answered(item, answer);
    flush();
  }
  async function send(item) {
    try {
      const response = await fetch("/bench/do", {
        method: "POST", credentials: "same-origin", body: JSON.stringify(item.command),
        headers: { "Content-Type": "application/json" }, signal: AbortSignal.timeout(GIVE_UP_MS),
      });
      return { status: response.status, answer: await response.json() };
    } catch (problem) { return { status: 0, answer: null }; }
  }
  async function once(item) { // a setting is not sent later, when another may have changed it
    const { answer, status } = await send(item);
    if (answer === null || status >= 500) {
      say("");
      refuse(answer && answer.later ? answer.later : "The board cannot be reached. Try again.");
    } else answered(item, answer);
  }
  function answered(item, answer) {
    faults(item, answer.fields || {});
    const verb = item.command.do === "finish" ? "Finish" : "Start";
    const [yes, no] = item.command.about === "reading" ? ["Keep it", "Correct it"] : [`${verb} anyway`, "Not now"];
    if (answer.question) say(answer.question, [
      tapElement(yes, () => { say(""); post([{ ...item, command: { ...item.command, id: newId(), sure: "yes" } }]); }),
      tapElement(no, () => say("")),
    ]);
    else if (answer.refused) { say(""); chooseAgain(item.command); refuse(answer.refused); }
    else done(item, answer.done);
    set("bench-changed", { data: item.command.id });
  }
  function done(item, result) {
    const command = item.command;
    const taps = [];
    let said = item.said;
    if (command.do === "open" && !command.about) {
      const ids = result.waits || [];
      if (said && ids.length > 1) said = said.replace("Opened:", "Opened " + ids.length + ":");
      if (result.ready) {
        reply = { waits: ids, opened: result.opened };
        said = result.opened + ": " + result.ready + ".";
      }
      if (result.unknown) taps.push(linkElement("Take in " + result.unknown, takeIn(result.unknown)));
      const note = (command.form || {}).note || "";
      taps.push(tapElement("Undo", () => {
        say("");
        post(ids.flatMap((id) => [
          { command: { id: newId(), by: who(), do: "correct", wait: id, at_ms: clock(),
                       form: { note: (note + " " + MISTAKE).trim() } } },
          { command: { id: newId(), by: who(), do: "release", wait: id, at_ms: clock() },
            said: "Undone." },
        ]));
      }));
    }
    if (said) say(said, taps);
    if (command.do === "reopen") keep(SKIPPED, read(SKIPPED, []).filter((id) => id !== command.wait));
    if (command.do === "release" && said) bring('.released[data-wait~="' + command.wait + '"]', 20);
    if (item.draft) forget(item.draft);
    if (item.then === "restart" || command.do === "restart" || (command.about === "guide" && command.do === "save"))
      window.boardRestartsMs = Date.now();
    if (item.then === "restart") once({ command: { id: newId(), by: who(), about: "settings", do: "restart" } });
    else if (item.then === "reload") window.location.reload();
    else if (item.then) window.location.assign(item.then);
  }

  function bring(selector, tries) { // the page redraws itself a moment later
    const element = document.querySelector(selector);
    if (element) element.scrollIntoView({ block: "center" });
    else if (tries > 0) window.setTimeout(() => bring(selector, tries - 1), 100);
  }

  // Fields: kept as they are typed
  function who() { return (read(BY, "") || "").slice(0, 60); }
  const TYPED = "input[name], textarea[name], select[name]";
  const last = (input) => input.name.split("-").pop();
  function fields(container, toKeep = false) { // a choice of a few goes under the last part of its name
    const found = {};
    for (const input of container.querySelectorAll(TYPED)) {
      if (toKeep && (input.type === "password" || input.closest(".secret"))) continue;
      if (input.type === "radio") { if (input.checked) found[last(input)] = input.value; }
      else if (input.type === "checkbox") found[last(input)] = [found[last(input)], input.checked && input.value].filter(Boolean).join(", ");
      else if (input.name !== "by") found[input.name] = input.value;
    }
    return found;
  }
  function faults(item, wrong) { // what is wrong stands beside its field
    const form = item.draft ? document.querySelector('[data-draft="' + item.draft + '"]') : null;
    if (!form) return;
    for (const place of form.querySelectorAll("[data-fault]")) {
      const text = wrong[place.dataset.fault] || "";
      place.textContent = text;
      const input = place.closest(".field, fieldset")?.querySelector("input, select, textarea");
      if (input) input.setAttribute("aria-invalid", String(text !== ""));
    }
    const first = form.querySelector(".fault:not(:empty)");
    if (first) (first.closest(".field, fieldset") || first).scrollIntoView({ block: "center" });
  }
  function forget(name) {
    keep(DRAFT + name, null);
    window.setTimeout(wanted);
    const container = document.querySelector('[data-draft="' + name + '"]');
    if (!container || name !== "open") return;
    for (const id of ["bench-more", "bench-more-kinds"]) if (byId(id)) byId(id).open = false;
    for (const input of container.querySelectorAll("input[name], textarea[name]")) {
      if (input.name !== "by" && input.id) set(input.id, { value: "" });
    }
  }
  function restore() {
    for (const container of document.querySelectorAll("[data-draft]:not([data-restored])")) {
      container.dataset.restored = "yes";
      let differs = false;
      const kept = read(DRAFT + container.dataset.draft, {});
      for (const input of container.querySelectorAll(TYPED)) {
        const ticks = input.type === "checkbox", choice = ticks || input.type === "radio";
        const value = input.name === "by" ? who() : kept[choice ? last(input) : input.name];
        if (value !== undefined && (value !== "" || ticks) && (choice || input.id)) {
          differs = differs || (!choice && value !== input.value);
          if (input.tagName === "SELECT") input.value = value;
          else set(choice ? input.name : input.id, { value: ticks ? value.split(", ").filter(Boolean) : value });
          const details = input.closest("details");
          if (details && input.name !== "by") details.open = true;
        }
      }
      const notice = container.querySelector("[data-unsaved]");
      if (notice) notice.hidden = !differs;
    }
    for (const [names, type] of [[["start", "wanted", "arrived", "at", "glued", "promised", "fixed"], "datetime-local"], [["due"], "date"]]) {
      for (const name of names) for (const input of document.querySelectorAll('input[type="text"][name="' + name + '"]')) input.type = type;
    }
  }
  document.addEventListener("input", (event) => {
    const container = event.target.closest ? event.target.closest("[data-draft]") : null;
    if (!container) return;
    if (event.target.name === "by") keep(BY, event.target.value);
    else {
      keep(DRAFT + container.dataset.draft, fields(container, true)); // now: the page may be left at once
      window.setTimeout(() => { wanted(); instrument(); });
    }
  });
  function fill(button) { // an instrument by a tap; by a second one, none
    const input = byId(button.dataset.fill), container = button.closest("[data-draft]");
    const value = input.value === button.dataset.value ? "" : button.dataset.value;
    set(input.id, { value });
    keep(DRAFT + container.dataset.draft, { ...fields(container), [input.name]: value });
    window.setTimeout(instrument, 100);
  }
  function instrument() { // which tap is on, and whether the shop knows what is typed
    const input = byId("open-instrument"), unknown = byId("open-unknown");
    if (!input || !unknown) return;
    const plain = (text) => text.trim().toLowerCase().replace(/[^\p{L}\p{N}]+/gu, "-");
    const known = document.querySelectorAll("#open-references option");
    const hidden = !plain(input.value) || Array.from(known).some((one) => plain(one.value) === plain(input.value));
    if (unknown.hidden !== hidden) unknown.hidden = hidden;
    const name = byId("open-unknown-name"), link = byId("open-take-in");
    if (name.textContent !== input.value) { name.textContent = input.value; link.setAttribute("href", takeIn(input.value.trim())); }
    for (const button of document.querySelectorAll("[data-fill]")) {
      const on = String(button.dataset.value === input.value);
      if (button.getAttribute("aria-pressed") !== on) button.setAttribute("aria-pressed", on);
    }
  }
  let asks = "";
  function wanted() { // what the ready times are for: the glue and the start that are typed, now
    const form = byId("bench-form");
    if (!form) return;
    const { glue = "", start = "" } = fields(form);
    const data = { glue, start, turn: Math.floor(clock() / STALE_MS) };
    if (asks === JSON.stringify(data)) return;
    asks = JSON.stringify(data);
    set("bench-asked", { data });
  }
  window.setInterval(wanted, 10000);

  // Choosing a kind, and its cautions
  function choose(button) {
    chosen = { id: button.dataset.choose, name: button.dataset.name, glue: button.dataset.glue,
               cautions: (button.dataset.cautions || "").split(" "), openId: newId() };
    lastTap = { key: "choose", at: performance.now() };
    refuse("");
    show();
    const where = byId("bench-where");
    if (where) where.scrollIntoView({ block: "nearest" });
  }
  function chooseAgain(command) { // a refused opening: the kind stays chosen for the next try
    const button = command.kind && document.querySelector('[data-choose="' + CSS.escape(command.kind) + '"]');
    if (button && command.do === "open" && chosen === null) choose(button);
  }
  let arrived = false;
  function arrive() { // from Ready by: its kind is chosen, and its time is wanted
    const query = new URLSearchParams(window.location.search);
    const button = document.querySelector('[data-choose="' + CSS.escape(query.get("kind") || "") + '"]');
    if (arrived || window.location.pathname !== "/bench" || !button || !byId("open-wanted")) return;
    arrived = true;
    const wanted = query.get("wanted") || "";
    window.history.replaceState(window.history.state, "", "/bench");
    const folded = button.closest("details");
    if (folded) folded.open = true;
    if (wanted) {
      set("open-wanted", { value: wanted });
      keep(DRAFT + "open", { ...fields(byId("bench-form")), wanted });
      byId("bench-more").open = true;
    }
    choose(button);
  }
  function skip() { // what was released and is not to be asked about here
    const left = read(SKIPPED, []);
    for (const item of document.querySelectorAll(".released")) {
      const hidden = item.dataset.wait.split(" ").every((id) => left.includes(id));
      if (item.hidden !== hidden) item.hidden = hidden;
    }
  }
  function today() { return new Date(clock()).toDateString(); }
  function show() {
    skip();
    const where = byId("bench-where");
    if (!where) { chosen = null; return; }
    if (where.hidden !== (chosen === null)) where.hidden = chosen === null;
    const name = byId("bench-chosen");
    if (chosen && name && name.textContent !== chosen.name) name.textContent = chosen.name;
    for (const button of document.querySelectorAll("[data-choose]")) {
      const on = String(chosen !== null && button.dataset.choose === chosen.id);
      if (on === "true") chosen.cautions = (button.dataset.cautions || "").split(" "); // another glue has others
      if (button.getAttribute("aria-pressed") !== on) button.setAttribute("aria-pressed", on);
    }
    for (const button of document.querySelectorAll("[data-ready][data-placename]")) {
      const at = button.querySelector(".ready-at");
      const text = (chosen && JSON.parse(button.dataset.ready)[chosen.id]) || "";
      if (at && at.textContent !== text) at.textContent = text;
    }
    for (const item of document.querySelectorAll("[data-caution]")) {
      const on = chosen !== null && chosen.cautions.includes(item.dataset.caution) &&
        read(AWAY + item.dataset.caution, "") !== today();
      if (item.dataset.on !== String(on)) item.dataset.on = String(on);
    }
  }

  // A question stands for its time, also on a button that a redraw has put in its place
  const asked = new Map();   // key of a tap: which asking it was
  let askings = 0;
  const keyOf = (data) => [data.do, ...CARRIED.map((name) => ofTap(data, name))].join("|");
  function ask(key) {
    const asking = ++askings;
    asked.set(key, asking);
    questions();
    window.setTimeout(() => {
      if (asked.get(key) === asking) { asked.delete(key); questions(); }
    }, ASKED_MS);
  }
  function questions() {
    for (const button of document.querySelectorAll("button[data-sure], button[data-asked=yes]")) {
      const data = button.dataset, text = button.textContent;
      if (data.sure && asked.has(keyOf(data))) {
        if (data.asked === "yes" && text === data.sure) continue;
        data.asked = "yes"; data.word = text; button.textContent = data.sure;
      } else if (data.asked === "yes") {
        data.asked = "no";
        if (text === data.sure) button.textContent = data.word;
      }
    }
  }

  // Taps
  function onePerWait(item) { // a tap on waits that stand alike is a command for each of them
    if (!item.command.wait) return [item];
    const waits = item.command.wait.split(" ");
    return waits.map((wait, i) => i === waits.length - 1
      ? { ...item, command: { ...item.command, wait } }
      : { command: { ...item.command, wait, id: newId() } });
  }
  function act(button) {
    const data = button.dataset;
    const key = keyOf(data);
    if (data.sure && !asked.has(key)) {
      lastTap = { key: "ask", at: performance.now() };
      ask(key);
      return;
    }
    const command = { id: newId(), by: who(), do: data.do, at_ms: clock() };
    for (const name of CARRIED) if (ofTap(data, name)) command[name] = ofTap(data, name);
    const item = { command, said: data.said, then: data.then };
    const opening = data.do === "open" && !data.about;
    if (opening) {
      if (!chosen) return;
      const form = byId("bench-form");
      command.kind = chosen.id;
      command.id = chosen.openId;   // a second tap is the same opening
      command.form = form ? fields(form) : {};
      if (chosen.glue === "no") delete command.form.glue;
      item.said = "Opened: " + chosen.name + ", " + data.placename + ".";
      item.draft = "open";
    } else if (data.form) {
      const form = byId(data.form);
      command.form = form ? fields(form) : {};
      item.draft = form ? form.dataset.draft : undefined;
      item.secret = Boolean(form && form.querySelector('input[type="password"]'));
    }
    const at = performance.now(); // not the computer's clock, which may be set back
    // A shaky second tap must not hit what has moved under the finger
    if (at - lastTap.at < (key === lastTap.key ? DOUBLE_MS : STRAY_MS)) return;
    lastTap = { key, at };
    if (asked.delete(key)) questions();
    if (waitingTaps().some((other) => other.command.id === command.id)) return;
    refuse("");
    say("One moment …");
    if (data.about === "settings") once(item); else post(onePerWait(item));
    if (opening) { chosen = null; show(); window.scrollTo({ top: 0 }); }
  }
  function away(caution) { // until tomorrow here; the journal keeps that it was read
    keep(AWAY + caution, today());
    show();
    const where = window.location.pathname.slice(0, 60);
    post([{ command: { id: newId(), by: who(), about: "caution", do: "put away", caution, where } }]);
  }
  document.addEventListener("click", (event) => {
    const button = event.target.closest ? event.target.closest("button") : null;
    if (!button) return;
    if (button.dataset.choose) choose(button);
    else if (button.dataset.fill) fill(button);
    else if (button.dataset.forget) { forget(button.dataset.forget); window.location.reload(); }
    else if (button.dataset.dismiss) away(button.dataset.dismiss);
    else if (button.dataset.skip) {
      keep(SKIPPED, [...button.dataset.skip.split(" "), ...read(SKIPPED, [])].slice(0, 300)); skip();
    } else if (button.dataset.do) act(button);
  });

  // What was unfolded stays so when the page redraws itself
  const FOLDS = "benchweather.unfolded" + window.location.pathname; // in this tab, also over a reload
  let unfolded = new Set();
  try { unfolded = new Set(JSON.parse(window.sessionStorage.getItem(FOLDS) || "[]")); } catch (e) { /* none */ }
  function fold(key, open) {
    unfolded[open ? "add" : "delete"](key);
    try { window.sessionStorage.setItem(FOLDS, JSON.stringify([...unfolded])); } catch (e) { /* for this page only */ }
  }
  document.addEventListener("click", (event) => { // here, not by the browser later: a redraw may come before
    const summary = event.target.closest ? event.target.closest("summary") : null;
    const details = summary && summary.parentElement;
    const key = details ? details.dataset.unfold : "";
    if (!key || event.defaultPrevented || event.target.closest("summary a, summary button")) return;
    event.preventDefault();
    const open = !details.open;
    fold(key, open);
    for (const one of document.querySelectorAll("details[data-unfold]")) {
      if (one.dataset.unfold === key) one.open = open;
    }
  });
  document.addEventListener("toggle", (event) => {
    const key = event.target.dataset ? event.target.dataset.unfold : "";
    if (key) fold(key, event.target.open);
  }, true);
  function unfold() {
    for (const details of document.querySelectorAll("details[data-unfold]")) {
      if (!details.open && unfolded.has(details.dataset.unfold)) details.open = true;
    }
  }

  new MutationObserver((changes) => {
    restore(); arrive(); show(); questions(); instrument(); keepReply(); keepRefusal();
    if (changes.some((change) => change.addedNodes.length)) unfold();
  })
    .observe(document.documentElement, { subtree: true, childList: true });
  window.addEventListener("online", flush);
  function begin() { // what becomes of a kept tap is said on the page
    if (document.querySelector("main")) flush(); else window.setTimeout(begin, 100);
  }
  window.setTimeout(begin, 500);
})();
