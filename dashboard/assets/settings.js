// A file for the settings: chosen in the browser and handed over; readings are stored by a second tap.
(function () {
  "use strict";
  const GIVE_UP_MS = 60000, chosen = {};
  const part = (what, name) => document.getElementById(`file-${what}-${name}`);
  function say(what, said, fault, storable) {
    part(what, "said").textContent = said;
    part(what, "fault").textContent = fault;
    part(what, "store").hidden = !storable;
  }
  async function send(what, file, most, store) {
    if (file.size > most) {
      const size = (file.size / 1e6).toFixed(1), limit = Math.floor(most / 1e6);
      return say(what, "", `${file.name} has ${size} MB: it must have at most ${limit} MB.`);
    }
    say(what, store ? "Storing…" : "Reading…", "");
    const asked = new URLSearchParams(store ? { store: "yes" } : {});
    for (const input of document.querySelectorAll("#import-form [name]")) asked.set(input.name, input.value);
    try {
      const response = await fetch(`/settings/file/${what}?${asked}`, {
        method: "POST", body: file, headers: { "Content-Type": "application/octet-stream" },
        signal: AbortSignal.timeout(GIVE_UP_MS),
      });
      const answer = await response.json();
      say(what, answer.said || "", answer.fault || "", answer.storable);
    } catch (error) {
      say(what, "", "The board did not answer. Choose the file again.");
    }
  }
  document.addEventListener("click", (event) => {
    const pick = event.target.closest("[data-settings-file]"), store = event.target.closest("[data-settings-store]");
    if (store) return send(store.dataset.settingsStore, chosen.file, chosen.most, true);
    if (!pick) return;
    const input = document.createElement("input");
    input.type = "file";
    input.addEventListener("change", () => {
      if (!input.files.length) return;
      Object.assign(chosen, { file: input.files[0], most: Number(pick.dataset.most) });
      send(pick.dataset.settingsFile, chosen.file, chosen.most, false);
    });
    input.click();
  });
})();
