"use strict";
(function () {
  var words = { good: "Good", bad: "Bad", unconfirmed: "Not confirmed" };
  var states = { yes: "In order.", no: "No good.", open: "Open." };
  var status = document.getElementById("status");
  var results = document.getElementById("results");
  var waiting = [], ready = false;

  function el(name, text, cls) {
    var e = document.createElement(name);
    if (text) { e.textContent = text; }
    if (cls) { e.className = cls; }
    return e;
  }

  function show(name, r) {
    var box = el("section", "", "result " + (r.verdict || "bad"));
    box.appendChild(el("h2", name));
    if (r.error) {
      box.appendChild(el("p", "Not checked: " + r.error, "verdict"));
      results.prepend(box);
      return;
    }
    box.appendChild(el("p", words[r.verdict], "verdict"));
    box.appendChild(el("p", r.summary));
    var list = el("dl");
    r.answers.forEach(function (a) {
      list.appendChild(el("dt", a.question));
      var dd = el("dd", "", a.state);
      dd.appendChild(el("span", states[a.state] + " ", "state"));
      dd.appendChild(document.createTextNode(a.words));
      list.appendChild(dd);
    });
    box.appendChild(list);
    box.appendChild(el("h2", "What this does not prove"));
    var limits = el("ul");
    r.limits.forEach(function (l) { limits.appendChild(el("li", l)); });
    box.appendChild(limits);
    results.prepend(box);
  }

  function look(name, bytes) {
    var signer = document.getElementById("signer").value.trim();
    var r;
    try {
      r = JSON.parse(proveoutCheck(bytes, signer));
    } catch (e) {
      r = { error: "the checker stopped; take the file as bad (" + e.message + ")" };
    }
    show(name, r);
  }

  function take(files) {
    Array.prototype.forEach.call(files, function (f) {
      if (!ready) { waiting.push(f); return; }
      if (f.size > 16 * 1024 * 1024) { show(f.name, { error: "the file is larger than 16 MiB; no certificate is" }); return; }
      f.arrayBuffer().then(function (b) { look(f.name, new Uint8Array(b)); });
    });
  }

  document.getElementById("file").addEventListener("change", function (e) { take(e.target.files); e.target.value = ""; });
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
    status.textContent = "Ready.";
    take(waiting.splice(0));
  };
  if (typeof WebAssembly !== "object" || typeof DecompressionStream !== "function") {
    status.textContent = "This browser is too old for the checker. Use the command “proveout verify FILE”, or a newer browser.";
    return;
  }
  var text = atob(document.getElementById("checker").textContent);
  var packed = new Uint8Array(text.length);
  for (var i = 0; i < text.length; i++) { packed[i] = text.charCodeAt(i); }
  var go = new Go();
  new Response(new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"))).arrayBuffer()
    .then(function (b) { return WebAssembly.instantiate(b, go.importObject); })
    .then(function (w) { return go.run(w.instance); })
    .catch(function (e) { status.textContent = "The checker could not be started: " + e.message; });
})();
