// A crew's phone fills in its own place, and tells it again every minute if asked to. Without
// JavaScript, or where the browser gives no place (it asks for https), the place is typed.
(function () {
  "use strict";
  var EVERY_MS = 60000;
  var form = document.getElementById("crew-form"), own = document.getElementById("own");
  if (!form || !own || !navigator.geolocation || !window.isSecureContext) { return; }
  var said = document.getElementById("own-said"), keep = document.getElementById("keep-on");
  own.hidden = false;

  function fill(then) {
    navigator.geolocation.getCurrentPosition(function (at) {
      form.elements.place.value = at.coords.latitude.toFixed(5) + ", " + at.coords.longitude.toFixed(5);
      then();
    }, function (error) { said.textContent = "No place: " + error.message; },
    { enableHighAccuracy: true, timeout: 20000, maximumAge: 30000 });
  }

  function tell() {
    if (!form.elements.crew.value.trim()) { said.textContent = "Name the crew first."; return; }
    fill(function () {
      fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)) })
        .then(function (answer) {
          said.textContent = answer.ok ? "Told " + new Date().toISOString().slice(11, 16) + " UTC." : "Refused; tell it by the button.";
        })
        .catch(function () { said.textContent = "Not told: no connection. Tried again in a minute."; });
    });
  }

  document.getElementById("own-place").addEventListener("click", function () {
    fill(function () { said.textContent = "Filled in; now tell it."; });
  });
  keep.addEventListener("change", function () { if (keep.checked) { tell(); } });
  window.setInterval(function () { if (keep.checked) { tell(); } }, EVERY_MS);
}());
