// A file for a client's sheet: chosen in the browser, read by the board, its air put into the form.
(function () {
  "use strict";
  const GIVE_UP_MS = 30000;
  const FORM = ["time", "format", "temperature", "humidity", "unit", "delimiter", "decimal"];
  const say = (what, said, fault) => {
    document.getElementById(`client-${what}-said`).textContent = said;
    document.getElementById(`client-${what}-fault`).textContent = fault;
  };

  async function send(what, file, most) {
    if (file.size > most) {
      const size = (file.size / 1e6).toFixed(1), limit = Math.floor(most / 1e6);
      return say(what, "", `${file.name} has ${size} MB: it must have at most ${limit} MB.`);
    }
    say(what, "Reading…", "");
    const asked = new URLSearchParams({ name: file.name });
    if (what === "log") for (const name of FORM) asked.set(name, document.getElementById(`client-log-${name}`).value);
    try {
      const response = await fetch(`/clients/file/${what}?${asked}`, {
        method: "POST", body: file, headers: { "Content-Type": "application/octet-stream" },
        signal: AbortSignal.timeout(GIVE_UP_MS),
      });
      const answer = await response.json();
      if (answer.fault) return say(what, "", answer.fault);
      say(what, answer.said, "");
      window.dash_clientside.set_props(what === "log" ? "client-log" : "client-air", { data: { air: answer.air } });
    } catch (error) {
      say(what, "", "The board did not answer. Choose the file again.");
    }
  }

  // To a field that would narrow the range: its fold is opened, and the hand is put there
  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest("[data-client-ask]");
    if (!button) return;
    const id = button.dataset.clientAsk;
    if (id.startsWith("client-rh-")) window.dash_clientside.set_props("client-source", { value: "readings" });
    window.setTimeout(() => {
      const field = document.getElementById(id);
      if (!field) return;
      for (let one = field.closest("details"); one; one = one.parentElement.closest("details")) one.open = true;
      const input = field.matches("input") ? field : field.querySelector("input:checked, input") || field;
      input.focus();
      input.scrollIntoView({ block: "center" });
    }, 300); // a field of another source is shown a moment later
  });

  // While the sheet is worked out: seconds so far, and how many it took the last time
  let since = 0;
  window.setInterval(() => {
    const working = document.getElementById("client-working");
    if (!working) return;
    if (working.hidden) {
      const took = since ? (performance.now() - since) / 1000 : 0;
      if (took > 2) window.sessionStorage.setItem("benchweather.sheet-s", String(took)); // else no sheet was made
      since = 0;
      return;
    }
    since = since || performance.now();
    const s = (performance.now() - since) / 1000, usual = Number(window.sessionStorage.getItem("benchweather.sheet-s") || 10);
    document.getElementById("client-working-s").textContent = Math.floor(s) + " s, usually about " + Math.ceil(usual) + " s";
    const bar = working.querySelector("progress");
    bar.max = usual; bar.value = Math.min(s, 0.95 * usual);
  }, 500);

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-client-file]");
    if (!button) return;
    const chosen = document.createElement("input");
    chosen.type = "file";
    chosen.addEventListener("change", () => {
      if (chosen.files.length) send(button.dataset.clientFile, chosen.files[0], Number(button.dataset.most));
    });
    chosen.click();
  });
})();
