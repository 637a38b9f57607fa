// The page of a flight stays true by itself: its contents are put in anew every half minute. Without
// JavaScript the browser loads the page anew as often.
(function () {
  "use strict";
  var EVERY_MS = 30000;
  if (!window.fetch) { return; }
  window.setInterval(function () {
    if (document.hidden) { return; }
    fetch(window.location.href, { headers: { accept: "text/html" } })
      .then(function (answer) { return answer.ok ? answer.text() : null; })
      .then(function (text) {
        if (text === null) { return; }
        var made = new DOMParser().parseFromString(text, "text/html");
        var from = made.querySelector("body > main"), to = document.querySelector("body > main");
        if (from && to) { to.replaceWith(document.importNode(from, true)); }
      })
      .catch(function () { /* the page's machine is away; it is asked again */ });
  }, EVERY_MS);
}());
