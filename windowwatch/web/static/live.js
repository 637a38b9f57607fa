// News without reloading: a newer pass is put into the open page, a pass under way shows how far
// it is. Where the stream of news cannot be had, it is asked for once a minute. The page is whole
// without this, and then asks its browser to load it anew now and then.
(function () {
  "use strict";
  var EVERY_MS = 60000, ANEW_MS = 300000;
  var MARKS = ["plans", "flights", "scout"]; // only pages of such things have theirs
  var bar = document.getElementById("newer");
  if (!bar || !window.fetch) { return; }
  var source = null, asked = 0, renewing = false;

  function shown() { return document.body.dataset.pass; }

  function told(news) {
    var moved = MARKS.some(function (name) {
      var shows = document.body.dataset[name];
      return shows !== undefined && news[name] !== undefined && news[name] !== shows;
    });
    if ((news.pass !== undefined && news.pass !== shown()) || moved) { renew(); }
    var line = document.getElementById("underway");
    if (!line || news.underway === undefined) { return; }
    line.hidden = !news.underway;
    if (news.underway) {
      line.querySelector("progress").value = news.underway.share;
      line.querySelector("span").textContent = news.underway.text;
    }
  }

  // Somebody who writes or moves a map is not disturbed: a line says that there is something new.
  function busy() {
    var at = document.activeElement;
    return (at && at.form) || document.querySelector("details[open] form, .map-live");
  }

  function renew() {
    if (busy()) { bar.hidden = false; return; }
    if (renewing) { return; }
    renewing = true;
    fetch(window.location.href, { headers: { accept: "text/html" } })
      .then(function (answer) { return answer.ok ? answer.text() : null; })
      .then(function (text) { if (text !== null) { put(new DOMParser().parseFromString(text, "text/html")); } })
      .catch(function () { /* the daemon is away; the next news asks again */ })
      .then(function () { renewing = false; });
  }

  function put(made) {
    if (busy()) { bar.hidden = false; return; }
    var open = {}, at = document.activeElement;
    var link = at && at.getAttribute ? at.getAttribute("href") : null;
    document.querySelectorAll("details[id]").forEach(function (each) { open[each.id] = each.open; });
    ["header", "main", "footer"].forEach(function (name) {
      var from = made.querySelector("body > " + name), to = document.querySelector("body > " + name);
      if (from && to) { to.replaceWith(document.importNode(from, true)); }
    });
    bar = document.getElementById("newer") || bar;
    document.body.dataset.pass = made.body.dataset.pass;
    document.body.dataset.cycle = made.body.dataset.cycle;
    MARKS.forEach(function (name) {
      if (made.body.dataset[name] !== undefined) { document.body.dataset[name] = made.body.dataset[name]; }
    });
    document.title = made.title;
    Object.keys(open).forEach(function (id) {
      var again = document.getElementById(id);
      if (again) { again.open = open[id]; }
    });
    if (window.location.hash) { // what is unfolded stays so, and nothing jumps
      var x = window.scrollX, y = window.scrollY;
      window.location.replace(window.location.hash);
      window.scrollTo(x, y);
    }
    document.dispatchEvent(new CustomEvent("renewed"));
    if (link) {
      var same = document.querySelector('a[href="' + CSS.escape(link) + '"]');
      if (same) { same.focus({ preventScroll: true }); }
    }
  }

  function ask() {
    asked = Date.now();
    fetch("/data/cycle.json", { headers: { accept: "application/json" } })
      .then(function (answer) { return answer.ok ? answer.json() : null; })
      .then(function (found) { if (found) { told(found); } })
      .catch(function () { /* the daemon is away; asked again in a minute */ });
  }

  function close() {
    if (source) { source.close(); source = null; }
  }

  // A browser has few connections to one place: a page that nobody looks at gives its own back.
  function listen() {
    if (document.hidden) { close(); return; }
    if (!source && window.EventSource) {
      source = new EventSource("/live");
      source.onmessage = function (event) { told(JSON.parse(event.data)); };
      source.onerror = function () { if (source && source.readyState === 2) { close(); } };
    }
  }

  window.setInterval(function () {
    if (document.hidden) { return; }
    if (!source) {
      if (Date.now() - asked >= EVERY_MS - 1000) { ask(); }
      if (document.body.dataset.flights !== undefined) { renew(); } // what is asked knows of none
      listen();
    }
  }, EVERY_MS);
  window.setInterval(function () { if (!document.hidden && !busy()) { renew(); } }, ANEW_MS);
  document.addEventListener("visibilitychange", listen);
  window.addEventListener("pagehide", close);
  window.addEventListener("pageshow", listen);
  listen();
})();
