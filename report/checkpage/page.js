"use strict";
(function () {
  var texts = JSON.parse(document.getElementById("texts").textContent);
  var status = document.getElementById("status");
  var results = document.getElementById("results");
  var choice = document.getElementById("language");
  var language = "en", said = ["unpacking"];
  var waiting = [], shown = [], ready = false;

  // t is a text of the page in the chosen language.
  function t(key, why) {
    var all = texts[language] || texts.en;
    return (all[key] || texts.en[key]).replace("{why}", function () { return why || ""; });
  }

  function say(key, why) {
    said = [key, why];
    status.textContent = t(key, why);
  }

  function el(name, text, cls) {
    var e = document.createElement(name);
    if (text) { e.textContent = text; }
    if (cls) { e.className = cls; }
    return e;
  }

  function show(file) {
    var r = file.own ? { error: t(file.own, file.why) } : JSON.parse(proveoutSay(file.answer, language));
    var box = el("section", "", "result " + (r.verdict || "bad"));
    if (r.error) { box.className = "result bad"; }
    box.appendChild(el("h2", file.name));
    file.box = box;
    if (r.error) {
      box.appendChild(el("p", t("notchecked", r.error), "verdict"));
      return box;
    }
    box.appendChild(el("p", t(r.verdict), "verdict"));
    box.appendChild(el("p", r.summary));
    var list = el("dl");
    r.answers.forEach(function (a) {
      list.appendChild(el("dt", a.question));
      var dd = el("dd", "", a.state);
      dd.appendChild(el("span", t(a.state) + " ", "state"));
      dd.appendChild(document.createTextNode(a.words));
      list.appendChild(dd);
    });
    box.appendChild(list);
    box.appendChild(el("h2", t("limits")));
    var limits = el("ul");
    r.limits.forEach(function (l) { limits.appendChild(el("li", l)); });
    box.appendChild(limits);
    return box;
  }

  function add(file) {
    shown.push(file);
    results.prepend(show(file));
  }

  function look(name, bytes) {
    var signer = document.getElementById("signer").value.trim();
    try {
      add({ name: name, answer: proveoutCheck(bytes, signer) });
    } catch (e) {
      add({ name: name, own: "stopped", why: e.message });
    }
  }

  function take(files) {
    Array.prototype.forEach.call(files, function (f) {
      if (!ready) { waiting.push(f); return; }
      if (f.size > 16 * 1024 * 1024) { add({ name: f.name, own: "large" }); return; }
      f.arrayBuffer().then(function (b) { look(f.name, new Uint8Array(b)); });
    });
  }

  // speak puts the page and what it shows into a language.
  function speak(l) {
    language = l;
    choice.value = l;
    document.documentElement.lang = l;
    document.querySelectorAll("[data-text]").forEach(function (e) { e.textContent = t(e.dataset.text); });
    say(said[0], said[1]);
    shown.forEach(function (file) {
      var old = file.box;
      old.replaceWith(show(file));
    });
  }

  choice.addEventListener("change", function () { speak(choice.value); });
  var wanted = (navigator.languages || [navigator.language || "en"])
    .map(function (l) { return l.toLowerCase().split("-")[0]; });
  speak(wanted.filter(function (l) { return texts[l]; })[0] || "en");

  document.getElementById("file").addEventListener("change", function (e) {
    take(e.target.files);
    e.target.value = "";
  });
  var drop = document.getElementById("drop");
  ["dragover", "drop"].forEach(function (kind) {
    document.addEventListener(kind, function (e) {
      e.preventDefault();
      drop.classList.toggle("over", kind === "dragover");
      if (kind === "drop") { take(e.dataTransfer.files); }
    });
  });
  document.addEventListener("dragleave", function () { drop.classList.remove("over"); });

  globalThis.proveoutReady = function () {
    ready = true;
    say("ready");
    take(waiting.splice(0));
  };
  if (typeof WebAssembly !== "object" || typeof DecompressionStream !== "function") {
    say("old");
    return;
  }
  var text = atob(document.getElementById("checker").textContent);
  var packed = new Uint8Array(text.length);
  for (var i = 0; i < text.length; i++) { packed[i] = text.charCodeAt(i); }
  var go = new Go();
  new Response(new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"))).arrayBuffer()
    .then(function (b) { return WebAssembly.instantiate(b, go.importObject); })
    .then(function (w) { return go.run(w.instance); })
    .catch(function (e) { say("failed", e.message); });
})();
