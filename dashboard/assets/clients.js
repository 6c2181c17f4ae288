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
