// Saves the picture of a view: drawn anew on white, in a size of its own, with its title. A PNG is
// made here; for a PDF the drawing goes to the board, which sets the page.
(function () {
  "use strict";
  const WIDE = 1400, HIGH = 800, FINER = 2, HEAD = 56;
  const FONT = "/assets/fonts/atkinson-hyperlegible-next-latin-400-normal.woff2";

  function give(blob, name) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    link.click();
    window.setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  }

  async function drawn(picture) {
    const { data, layout } = picture.figure, margin = layout.margin || {};
    const title = picture.kind === "png" && { // plain: bold would need a style attribute, which the policy blocks
      text: picture.title + ", " + picture.shown, x: 0.02, xanchor: "left", y: 0.975,
      yanchor: "top", font: { size: 20 },
    };
    return window.Plotly.toImage({
      data,
      layout: {
        ...layout, width: WIDE, height: HIGH, paper_bgcolor: "#ffffff", plot_bgcolor: "#ffffff",
        margin: { ...margin, t: (margin.t || 16) + (title ? HEAD : 0) }, ...(title ? { title } : {}),
      },
    }, { format: "svg", width: WIDE, height: HIGH, imageDataOnly: true });
  }

  // An image has no fonts of the page: the font goes with it.
  async function withFont(svg) {
    const bytes = new Uint8Array(await (await fetch(FONT)).arrayBuffer());
    let text = "";
    for (const one of bytes) text += String.fromCharCode(one);
    const face = "@font-face{font-family:'Atkinson Hyperlegible Next';src:url(data:font/woff2;base64," +
      btoa(text) + ")}";
    return svg.replace(/(<svg[^>]*>)/, "$1<defs><style>" + face + "</style></defs>");
  }

  async function png(picture) {
    const image = new Image(WIDE, HIGH), canvas = document.createElement("canvas");
    image.src = "data:image/svg+xml," + encodeURIComponent(await withFont(await drawn(picture)));
    await image.decode();
    canvas.width = WIDE * FINER;
    canvas.height = HIGH * FINER;
    canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
    return new Promise((done) => canvas.toBlob(done, "image/png"));
  }

  async function pdf(picture) {
    const { title, shown, words } = picture;
    const answer = await fetch("/past/picture.pdf", {
      method: "POST", headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ svg: await drawn(picture), title, shown, words }),
    });
    if (!answer.ok) throw new Error((await answer.text()).trim());
    return answer.blob();
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    picture: {
      save: async (picture) => {
        if (!picture) return window.dash_clientside.no_update;
        if (!picture.figure) return "There is nothing to save: choose a span with readings.";
        try {
          give(await (picture.kind === "pdf" ? pdf : png)(picture), picture.name + "." + picture.kind);
          return "Saved: " + picture.name + "." + picture.kind;
        } catch (problem) {
          return "The file could not be made. " + problem.message;
        }
      },
    },
  });
})();
