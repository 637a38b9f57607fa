// The age of the last report goes on by itself, and turns to a warning when nothing was heard for
// long. What is new comes by live.js; without JavaScript the browser loads the page anew.
(function () {
  "use strict";
  var shown = null, heard = 0;

  function words(seconds) {
    if (seconds < 120) { return seconds + " s"; }
    var minutes = Math.floor(seconds / 60);
    if (minutes < 120) { return minutes + " min"; }
    var rest = minutes % 60, hours = (minutes - rest) / 60;
    return hours < 48 ? hours + " h " + (rest < 10 ? "0" : "") + rest + " min" : Math.floor(hours / 24) + " days";
  }

  function tick() {
    var line = document.querySelector(".age[data-age-s]");
    if (!line) { return; }
    if (line !== shown) { shown = line; heard = Date.now() - 1000 * Number(line.dataset.ageS); }
    var seconds = Math.max(0, Math.round((Date.now() - heard) / 1000));
    line.querySelector("b").textContent = words(seconds);
    if (line.dataset.oldS && seconds > Number(line.dataset.oldS) && !line.classList.contains("old")) {
      line.classList.add("old");
      line.setAttribute("role", "alert");
      line.querySelector("span").textContent = "since the last report: nothing was heard for long";
    }
  }

  document.addEventListener("renewed", tick);
  window.setInterval(tick, 1000);
  tick();
}());
