(function () {
	"use strict";
	// Reads the page again every half minute and puts its main part in place, so
	// that focus, open parts and the place on the page stay. A page that could not
	// be renewed says so: it must never look newer than it is.
	var every = 30000, lost = document.getElementById("lost"), since = document.getElementById("lost-since"), last = new Date(), busy = false;
	function clock(t) { return ("0" + t.getHours()).slice(-2) + ":" + ("0" + t.getMinutes()).slice(-2) + ":" + ("0" + t.getSeconds()).slice(-2); }
	function failed() { since.textContent = clock(last); lost.hidden = false; }
	function focusable(root) { return Array.prototype.slice.call(root.querySelectorAll("a[href], summary, [tabindex]")); }
	function put(text) {
		var next = new DOMParser().parseFromString(text, "text/html"), to = next.querySelector("main"), from = document.querySelector("main");
		if (!to || !from) { throw new Error("no page"); }
		var open = {}, held = focusable(from).indexOf(document.activeElement), scrolled = {};
		from.querySelectorAll("details[id]").forEach(function (d) { open[d.id] = d.open; });
		from.querySelectorAll(".scroll[id]").forEach(function (d) { scrolled[d.id] = d.scrollLeft; });
		from.replaceWith(document.adoptNode(to));
		to.querySelectorAll("details[id]").forEach(function (d) { if (d.id in open) { d.open = open[d.id]; } });
		to.querySelectorAll(".scroll[id]").forEach(function (d) { if (d.id in scrolled) { d.scrollLeft = scrolled[d.id]; } });
		if (held >= 0) { var list = focusable(to); if (list[held]) { list[held].focus({ preventScroll: true }); } }
		var now = next.getElementById("now"), here = document.getElementById("now");
		if (now && here) { here.replaceWith(document.adoptNode(now)); }
		document.title = next.title;
	}
	function again() {
		if (busy || document.hidden) { return; }
		busy = true;
		var stop = new AbortController(), timer = setTimeout(function () { stop.abort(); }, 15000);
		fetch(location.href, { cache: "no-store", credentials: "same-origin", redirect: "error", signal: stop.signal })
			.then(function (r) { if (!r.ok) { throw new Error(r.status); } return r.text(); })
			.then(function (text) { put(text); last = new Date(); lost.hidden = true; })
			.catch(failed)
			.then(function () { clearTimeout(timer); busy = false; });
	}
	setInterval(again, every);
	document.addEventListener("visibilitychange", function () { if (!document.hidden && new Date() - last > every) { if (new Date() - last > 3 * every) { failed(); } again(); } });
})();
