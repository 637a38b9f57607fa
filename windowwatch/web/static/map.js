// A map that can be moved, laid over the one that is drawn: the same layers, from our own
// address, and nothing from elsewhere. Without it the drawing stays.
(function () {
  "use strict";
  var frame = document.querySelector(".mapframe[data-layers]");
  if (!frame || !window.L || !window.fetch) { return; }
  var root = window.getComputedStyle(document.documentElement);
  function hue(name) { return root.getPropertyValue("--map-" + name).trim(); }
  var styles = {
    "water": { weight: 0.6, color: hue("shore"), fill: true, fillColor: hue("water"), fillOpacity: 1 },
    "forest": { stroke: false, fill: true, fillColor: hue("forest"), fillOpacity: 1 },
    "wetland": { weight: 0.6, color: hue("shore"), dashArray: "2 2", fill: true, fillColor: hue("wetland"), fillOpacity: 1 },
    "shun": { weight: 0.8, color: hue("shun"), fill: true, fillColor: "url(#hatch)", fillOpacity: 1 },
    "road": { weight: 1, color: hue("road") },
    "road major": { weight: 2, color: hue("road-major") },
    "road track": { weight: 0.8, color: hue("road"), dashArray: "3 2" },
    "zone airspace": { weight: 2, color: hue("airspace"), dashArray: "7 3", fill: true, fillColor: "url(#hatch-air)", fillOpacity: 1 },
    "zone open airspace": { weight: 1.4, color: hue("airspace"), dashArray: "2 4" },
    "zone permitted": { weight: 2, color: hue("permitted"), dashArray: "12 4 2 4" },
    "drive": { weight: 4, color: hue("drive") },
    "in90": { weight: 1.6, color: hue("landing"), dashArray: "6 4", fillOpacity: 0.06 },
    "in50": { weight: 2, color: hue("landing"), fillOpacity: 0.14 },
    "burst90": { weight: 1.4, color: hue("flight"), dashArray: "2 4", fillOpacity: 0.05 },
    "up": { weight: 2.2, color: hue("flight") },
    "down": { weight: 2.2, color: hue("flight"), dashArray: "5 4" },
    "landing": { radius: 2, stroke: false, fill: true, fillColor: hue("landing"), fillOpacity: 0.7 },
    "minute": { radius: 3.5, weight: 1.5, color: hue("flight"), fillColor: hue("land"), fillOpacity: 1, className: "map-minute" }
  };
  var signs = { "site-mark": "\u25b2", "crew-mark": "\u25a0", "burst-mark": "\u2715", "centre": "\u271a", "park": "\u25a1" };

  function name(at, text, kind) {
    var word = document.createElement("span");
    word.textContent = text;
    return L.marker(at, {
      interactive: false, keyboard: false, zIndexOffset: kind.indexOf("map-sign") < 0 ? 0 : 2000,
      icon: L.divIcon({ className: "map-name " + kind, html: word, iconSize: null })
    });
  }
  function point(feature, at) {
    var kind = feature.properties.kind, group = L.layerGroup();
    if (signs[kind]) { group.addLayer(name(at, signs[kind], "map-sign " + kind)); }
    else if (styles[kind]) { group.addLayer(L.circleMarker(at, Object.assign({ interactive: false }, styles[kind]))); }
    if (feature.properties.label) { group.addLayer(name(at, feature.properties.label, "beside " + kind + (feature.properties.touched ? " touched" : ""))); }
    return group;
  }
  // Names that would run into a sign, into one another or out of the frame change sides or are
  // hidden; the first one stays.
  function untangle(over) {
    var frame = over.getBoundingClientRect(), taken = [];
    function apart(box) {
      return box.left >= frame.left && box.right <= frame.right && !taken.some(function (other) {
        return box.left < other.right && other.left < box.right && box.top < other.bottom && other.top < box.bottom;
      });
    }
    over.querySelectorAll(".map-sign span, .map-minute, .leaflet-control").forEach(function (sign) { taken.push(sign.getBoundingClientRect()); });
    // The flight's names first, then those of airspace, then those of the land.
    [".beside:not(.name)", ".touched", ".beside.name:not(.touched)", ".middle:not(.touched)"].forEach(function (rank) {
      over.querySelectorAll(".map-name" + rank + " span").forEach(place);
    });
    function place(word) {
      var sides = ["", "left", "low", "low left"], box, good = false;
      for (var i = 0; i < sides.length && !good; i += 1) {
        word.className = sides[i];
        box = word.getBoundingClientRect();
        good = apart(box);
      }
      // A name that must be read goes further away for room.
      var must = word.parentNode.classList.contains("touched");
      word.style.transform = "";
      for (var step = 2; must && !good && step < 24; step += 1) {
        var reach = 12 * Math.floor(step / 2), turn = step * 2.4;
        word.className = "";
        word.style.transform = "translate(calc(-50% + " + Math.round(reach * Math.cos(turn)) + "px), calc(-50% + " + Math.round(reach * Math.sin(turn)) + "px))";
        box = word.getBoundingClientRect();
        good = apart(box);
      }
      word.style.visibility = good ? "visible" : "hidden";
      if (good) { taken.push(box); }
    }
  }
  function show(found) {
    var over = document.createElement("div");
    over.className = "map-live";
    over.setAttribute("role", "region");
    over.setAttribute("aria-label", "The same map, to be moved");
    frame.appendChild(over);
    var map = L.map(over, {
      attributionControl: false, zoomAnimation: false, fadeAnimation: false, markerZoomAnimation: false,
      zoomControl: false, zoomSnap: 0.25, zoomDelta: 0.5, scrollWheelZoom: false, dragging: !L.Browser.mobile
    });
    map.fitBounds(found.bounds); // before any layer: a canvas without a view is an error
    map.setMinZoom(map.getZoom() - 2).setMaxZoom(map.getZoom() + 5);
    // The buttons stand where the site is not.
    var flight = found.layers.filter(function (layer) { return layer.id === "flight"; })[0];
    var site = flight.features.features[0].geometry.coordinates;
    var seen = map.latLngToContainerPoint([site[1], site[0]]), size = map.getSize();
    var isThere = seen.x < size.x / 3 && seen.y < size.y / 2;
    L.control.zoom({ position: isThere ? "bottomleft" : "topleft" }).addTo(map);
    L.control.scale({ imperial: false, position: "bottomright" }).addTo(map);
    var lines = L.canvas(), choices = {}, named = [];
    found.layers.forEach(function (layer) {
      var many = layer.id === "roads" || layer.id === "landings";
      var made = L.geoJSON(layer.features, {
        interactive: false,
        pointToLayer: point,
        style: function (feature) {
          var style = Object.assign({ interactive: false }, styles[feature.properties.kind]);
          if (many) { style.renderer = lines; }
          return style;
        }
      }).addTo(map);
      if (layer.id === "areas") {
        layer.features.features.forEach(function (feature) {
          var wanted = feature.properties.kind === "shun" || feature.properties.kind === "water";
          var rings = feature.geometry.coordinates;
          var touched = feature.properties.touched;
          if (feature.properties.name && (touched || (wanted && rings.length === 1))) {
            named.push(name(touched || L.polyline(L.GeoJSON.coordsToLatLngs(rings[0])).getBounds().getCenter(),
              feature.properties.name, touched ? "middle touched" : "middle"));
          }
        });
      }
      choices[layer.title] = made;
    });
    named.forEach(function (each) { choices[found.layers[0].title].addLayer(each); });
    map.on("moveend zoomend layeradd", function () { untangle(over); });
    L.control.layers(null, choices, { collapsed: true }).addTo(map);
    untangle(over);
    var help = document.querySelector(".map-help");
    if (help) { help.hidden = false; }
    document.body.dataset.map = "ready";
  }
  fetch(frame.dataset.layers, { headers: { accept: "application/json" } })
    .then(function (answer) { return answer.ok ? answer.json() : null; })
    .then(function (found) { if (found) { show(found); } })
    .catch(function () { /* the drawing stays */ });
})();
