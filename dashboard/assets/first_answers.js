// Asks for the first answers of a page while the browser still reads the scripts. Dash would ask
// for them only then; `board.js` hands them over when it does. The content is asked for after the
// layout, which says of which change of the store the page knows.
(function () {
  "use strict";
  const headers = { "Accept": "application/json", "Content-Type": "application/json" };
  const address = (property) => ({ id: "_pages_location", property, value: window.location[property] });
  const changed = ["_pages_location.pathname", "_pages_location.search"];
  const content = JSON.stringify({
    output: ".._pages_content.children..._pages_store.data..",
    outputs: [{ id: "_pages_content", property: "children" }, { id: "_pages_store", property: "data" }],
    inputs: [address("pathname"), address("search")],
    changedPropIds: changed,
    parsedChangedPropsIds: changed,
  });
  const fetch = window.fetch.bind(window); // the browser's own; `board.js` puts another in its place
  const get = (path) => ({ path, body: undefined, answer: fetch(path, { headers }) });
  const layout = get("/_dash-layout"), update = "/_dash-update-component";
  const post = () => fetch(update, { method: "POST", headers, body: content });
  const asked = [layout, get("/_dash-dependencies"), { path: update, body: content, answer: layout.answer.then(post) }];
  for (const one of asked) one.answer.catch(() => {}); // Dash hears of it when it takes the answer
  window.boardAsked = asked;
})();
