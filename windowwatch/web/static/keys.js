// Arrow keys on the board: one stop for the Tab key per site, arrows within it. The page is
// whole without this.
(function () {
  "use strict";
  function ready() { document.querySelectorAll(".site").forEach(function (site) {
    var cells = Array.prototype.slice.call(site.querySelectorAll(".cells a.cell"));
    if (!cells.length) { return; }
    function only(chosen) {
      cells.forEach(function (cell) { cell.tabIndex = cell === chosen ? 0 : -1; });
    }
    only(cells[0]);
    site.addEventListener("keydown", function (event) {
      var at = cells.indexOf(document.activeElement);
      if (at < 0) { return; }
      var to = null;
      if (event.key === "ArrowRight") { to = cells[at + 1]; }
      if (event.key === "ArrowLeft") { to = cells[at - 1]; }
      if (event.key === "ArrowDown" || event.key === "ArrowUp") { // the same time, another day
        var time = cells[at].dataset.time;
        var step = event.key === "ArrowDown" ? 1 : -1;
        for (var i = at + step; cells[i] && !to; i += step) {
          if (cells[i].dataset.time === time) { to = cells[i]; }
        }
      }
      if (to) { event.preventDefault(); only(to); to.focus(); }
    });
  }); }
  document.addEventListener("renewed", ready);
  ready();
})();
