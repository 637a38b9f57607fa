// The page of a flight stays true by itself: the age of the last report counts on and turns to a
// warning, and the contents are put in anew when live.js hears of news, or every half minute.
// Without JavaScript the browser loads the page anew as often.
(function () {
  "use strict";
  var EVERY_MS = 30000;
  var since = Date.now(), seen = document.getElementById("age");

  function words(s) {
    if (s < 120) { return s + " s"; }
    var m = Math.floor(s / 60), h = Math.floor(m / 60);
    return m < 120 ? m + " min" : h + " h " + ("0" + (m % 60)).slice(-2) + " min";
  }

  window.setInterval(function () {
    var age = document.getElementById("age");
    if (age !== seen) { seen = age; since = Date.now(); } // the contents are new
    if (!age || +age.dataset.age > 169200) { return; }
    var s = +age.dataset.age + Math.round((Date.now() - since) / 1000), silent = +age.dataset.silent;
    age.querySelector("b").textContent = words(s);
    if (silent >= 0 && s > silent) {
      age.classList.add("old");
      age.querySelector(".late").hidden = false;
    }
  }, 1000);

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
