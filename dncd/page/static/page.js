"use strict";
// News put in their places; a number pad for gloves. Without this all works but for what is live.
(() => {
  const OLD_MS = 15000; // the service tells each line every three seconds, and the page that it lives every five
  const shown = new Map();
  let last = Date.now();

  function place(id, html) {
    const there = document.getElementById(id);
    if (!there || shown.get(id) === html) return;
    const made = document.createElement("template");
    made.innerHTML = html; // of our own page, escaped there; scripts in it do not run
    const fresh = made.content.firstElementChild;
    if (!fresh || fresh.id !== id) return;
    const inside = there.contains(document.activeElement) ? document.activeElement : null;
    if (inside && inside.matches("input, select, textarea")) return; // somebody types: the next news find it free
    const link = inside && inside.getAttribute("href");
    const open = [...there.querySelectorAll("details")].map((each) => each.open);
    shown.set(id, html);
    there.replaceWith(fresh);
    fresh.querySelectorAll("details").forEach((each, n) => { each.open = Boolean(open[n]); });
    if (inside) {
      const again = [...fresh.querySelectorAll(inside.tagName)].find((each) => each.getAttribute("href") === link);
      if (again) again.focus({ preventScroll: true });
    }
    if (fresh.dataset.rank && fresh.dataset.rank !== there.dataset.rank) rank(fresh.parentElement);
  }

  function rank(list) {
    if (!list || !list.hasAttribute("data-ranked") || list.contains(document.activeElement)) return;
    [...list.children].sort((a, b) => a.dataset.rank - b.dataset.rank).forEach((each) => list.append(each));
  }

  function age() {
    const note = document.getElementById("old-news");
    if (!note) return;
    const old = Date.now() - last > OLD_MS;
    if (old && note.hidden) {
      const when = new Date(last).toLocaleTimeString([], { hour12: false, timeZoneName: "short" });
      note.textContent = note.dataset.old.replace("{when}", when);
    }
    note.hidden = !old;
  }

  function listen() {
    const news = new EventSource(document.body.dataset.news);
    const heard = () => { last = Date.now(); age(); };
    news.addEventListener("open", heard);
    news.addEventListener("alive", heard);
    news.addEventListener("again", () => location.reload()); // its machine is gone, or the floor has others
    news.addEventListener("part", (event) => {
      heard();
      const part = JSON.parse(event.data);
      place(part.id, part.html);
    });
    news.addEventListener("error", () => {
      if (news.readyState === EventSource.CLOSED) setTimeout(listen, 5000); // it was refused: the browser gives up, we do not
    });
  }

  if (document.body.dataset.news && window.EventSource) {
    listen();
    setInterval(age, 1000);
  }

  for (const pad of document.querySelectorAll(".pad")) {
    const into = document.getElementById(pad.dataset.for);
    pad.hidden = false;
    pad.addEventListener("click", (event) => {
      const key = event.target.closest("button");
      if (key) into.value = key.dataset.key ? into.value + key.dataset.key : into.value.slice(0, -1);
    });
  }
})();
