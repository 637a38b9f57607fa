// Asks once a minute whether a newer cycle has come, and says so; the reader decides when to
// turn the page. The page is whole without this.
(function () {
  "use strict";
  var shown = document.body.dataset.cycle;
  var bar = document.getElementById("newer");
  if (!bar || !window.fetch) { return; }
  function look() {
    if (document.hidden) { return; }
    fetch("/data/cycle.json", { headers: { accept: "application/json" } })
      .then(function (answer) { return answer.ok ? answer.json() : null; })
      .then(function (found) {
        var newest = found && found.cycle ? found.cycle.id : shown;
        bar.hidden = newest === shown;
      })
      .catch(function () { /* the daemon is away; asked again in a minute */ });
  }
  window.setInterval(look, 60000);
  document.addEventListener("visibilitychange", look);
})();
