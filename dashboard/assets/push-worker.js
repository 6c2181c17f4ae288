// Service worker of the board: shows the notices that a push service brings, and opens Alerts at a
// tap. It keeps no page and no figure: each page comes from the shop's computer or not at all.
"use strict";
self.addEventListener("push", (event) => {
  let notice = {};
  try { notice = event.data.json(); } catch (e) { /* a push without content */ }
  event.waitUntil(self.registration.showNotification(notice.title || "Benchweather", {
    body: notice.text || "Open the board.",
    tag: notice.id || "benchweather", // a repeat replaces the first
    icon: "/assets/icons/icon-192.png",
  }));
});
self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil(self.clients.matchAll({ type: "window" }).then((open) => {
    const board = open.find((one) => new URL(one.url).pathname.startsWith("/alerts"));
    return board ? board.focus() : self.clients.openWindow("/alerts");
  }));
});
