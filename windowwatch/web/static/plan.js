// The countdown goes on between two looks, and a page that the daemon no longer reaches says so.
// Without this the page shows the time at which it was made.
(function () {
  "use strict";
  var OLD_MS = 11 * 60000;
  var of = null, made = 0, since = 0;

  function length(ms) {
    var minutes = Math.round(Math.abs(ms) / 60000), hours = Math.floor(minutes / 60), rest = minutes % 60;
    return (hours ? hours + " h" : "") + (hours && rest ? " " : "") + (rest || !hours ? rest + " min" : "");
  }

  function look() {
    var page = document.querySelector(".plan-page");
    if (!page) { return; }
    if (page !== of) { of = page; made = Date.parse(page.dataset.now); since = Date.now(); }
    var gone = Date.now() - since, left = Date.parse(page.dataset.release) - made - gone;
    var count = document.getElementById("count"), line = document.getElementById("gone");
    if (count) { count.textContent = "T " + (left >= 0 ? "−" : "+") + " " + length(left); }
    if (line) {
      line.hidden = gone < OLD_MS;
      line.querySelector("span").textContent = length(gone);
    }
  }

  window.setInterval(look, 5000);
  document.addEventListener("visibilitychange", look);
  document.addEventListener("renewed", look);
  look();
})();
