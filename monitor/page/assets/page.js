"use strict";
// Keeps what the server rendered as it is now, and takes the word away as soon as nothing vouches
// for it: no beat for 6 s, its time run out, or the page asleep. All that comes is put in as text.
(() => {
  const html = document.documentElement;
  const LATEST_MS = 6000;
  const TURN_MS = 250;
  const AGAIN_MS = 3000;
  const ANSWER_MS = 13000;
  const NOT_CONFIRMED = "Not confirmed: look at the log before you press again.";
  const COUNTED = ["stop", "none", "hold", "go?", "go"];
  const SAID = ["STOP", "no call", "HOLD", "GO?", "GO"];
  const roots = new Map();
  // Two clocks, the later counts: one may stop while the device sleeps, the other may be set.
  const start = { steady: 0, wall: Date.now() - performance.now() };
  let beat = start;
  let broker = html.dataset.link !== "down";
  let source = null;
  let openedAt = 0;

  const moment = () => ({ steady: performance.now(), wall: Date.now() });
  const since = (then) => Math.max(performance.now() - then.steady, Date.now() - then.wall);
  const put = (el, text) => { if (el.textContent !== text) el.textContent = text; };
  const each = (root, selector, act) => root.querySelectorAll(selector).forEach(act);

  function duration(seconds) {
    const all = Math.max(0, Math.floor(seconds));
    const days = all >= 172800 ? Math.floor(all / 86400) : 0;
    const hours = Math.floor((all - days * 86400) / 3600);
    const minutes = Math.floor((all % 3600) / 60);
    if (days) return `${days} d ${hours} h`;
    if (hours) return minutes ? `${hours} h ${minutes} min` : `${hours} h`;
    return minutes >= 2 ? `${minutes} min` : `${all} s`;
  }

  const age = (then) => duration(since(then) / 1000);

  function fillList(list, items) {
    list.replaceChildren(...items.map((item) => {
      const li = document.createElement("li");
      const cells = Array.isArray(item) ? item : item.cells;
      if (item.kind) li.className = item.kind;
      if (item.left_s != null) li.countsFrom = { left: item.left_s, at: moment() };
      for (const cell of cells) {
        const span = document.createElement("span");
        span.textContent = cell;
        li.append(span);
      }
      return li;
    }));
  }

  function fill(entry) {
    const { root, row } = entry;
    each(root, "[data-text]", (el) => {
      if (el.dataset.text in row) put(el, row[el.dataset.text]);
      if (el.classList.contains("alarm-mark")) {
        el.hidden = !row.ringing;
        el.classList.toggle("unseen", row.unseen);
      }
    });
    each(root, "[data-list]", (el) => fillList(el, row[el.dataset.list] || []));
    each(root, "[data-d]", (el) => el.setAttribute("d", row[el.dataset.d] || ""));
    each(root, "[data-label]", (el) => el.setAttribute("aria-label", row[el.dataset.label] || ""));
    each(root, "[data-if]", (el) => {
      const value = row[el.dataset.if];
      el.hidden = !(value && value.length);
    });
    each(root, "[data-href]", (el) => el.setAttribute("href", row.href));
  }

  function show(entry, word, label, why) {
    const { root } = entry;
    if (entry.shown === word + why) return;
    entry.shown = word + why;
    root.dataset.tone = word.toLowerCase();
    each(root, "[data-word]", (el) => { el.dataset.word = word; });
    each(root, '[data-text="label"]', (el) => put(el, label));
    if (why !== null) each(root, '[data-text="why"]', (el) => put(el, why));
  }

  function silence() {
    if (document.hidden) return "Asleep: this page shows nothing until it hears again.";
    if (beat.slept || since(beat) >= LATEST_MS) return `No word from this page's server for ${age(beat)}.`;
    return null;
  }

  function turn() {
    const dark = silence();
    html.dataset.link = dark === null && broker ? "up" : "down";
    each(document, "[data-lit]", (el) => { el.hidden = dark !== null; });
    each(document, "[data-dark]", (el) => { el.hidden = dark === null; });
    for (const entry of roots.values()) {
      const { word } = entry;
      const over = word !== "NONE" && since(entry.at) >= entry.leftMs;
      if (dark !== null || over) {
        show(entry, "NONE", "NO CALL", dark || `No newer word from ${entry.station} for ${age(entry.at)}.`);
      } else {
        show(entry, word, entry.label, entry.why);
      }
    }
    const tones = [...roots.values()].map(({ root }) => root.dataset.tone);
    each(document, "[data-counts]", (el) => put(el, COUNTED
      .map((tone, n) => [tones.filter((each) => each === tone).length, SAID[n]])
      .filter(([count]) => count).map((pair) => pair.join(" ")).join(", ")));
    each(document, "[data-list=clocks] li", (li) => {
      const from = li.countsFrom;
      if (from) put(li.children[2], duration(from.left - since(from.at) / 1000));
    });
    if (dark !== null && !document.hidden && performance.now() - openedAt >= AGAIN_MS) open();
  }

  function take(row) {
    const entry = roots.get(row.key);
    if (!entry) return; // `order` follows and has the page loaded anew
    Object.assign(entry, {
      row, word: row.word, label: row.label, why: row.why, leftMs: row.left_s * 1000,
      at: moment(), shown: null,
    });
    fill(entry);
    turn();
  }

  function order(keys) {
    if (!document.querySelector("[data-key], [data-cards]")) return;
    if (keys.length !== roots.size || keys.some((key) => !roots.has(key))) { reload(); return; }
    const list = document.querySelector("[data-cards]");
    if (list && [...list.children].some((el, n) => el.dataset.key !== keys[n])) {
      list.append(...keys.map((key) => roots.get(key).root));
    }
  }

  // What the server knows and this page does not show at all: load it anew, but not for ever.
  function reload() {
    const last = Number(sessionStorage.getItem("reloaded")) || 0;
    const typing = document.activeElement && /^(INPUT|TEXTAREA|SELECT)$/.test(document.activeElement.tagName);
    if (typing || Math.abs(Date.now() - last) < AGAIN_MS) return;
    sessionStorage.setItem("reloaded", String(Date.now()));
    location.reload();
  }

  function open() {
    openedAt = performance.now();
    if (source) source.close();
    const path = html.dataset.stream;
    if (!path || document.hidden) return;
    const mine = new EventSource(path);
    source = mine;
    const on = (name, act) => mine.addEventListener(name, (event) => {
      if (mine === source) act(JSON.parse(event.data));
    });
    on("row", take);
    on("order", ({ keys }) => order(keys));
    on("beat", (said) => {
      beat = moment();
      broker = said.broker;
      each(document, "[data-clock]", (el) => put(el, said.clock));
      turn();
    });
    on("bye", () => location.reload());
    mine.addEventListener("error", () => {
      // Turned down, not lost: a login that has run out.
      if (mine === source && mine.readyState === EventSource.CLOSED) {
        fetch("/alive", { cache: "no-store" }).then((said) => { if (said.ok) reload(); }, () => {});
      }
    });
  }

  function freshId() {
    const bytes = crypto.getRandomValues(new Uint8Array(12));
    return "page-" + [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  }

  function answer(result, text, warnings, takesBack) {
    const done = document.querySelector("[data-done]");
    done.dataset.result = result;
    done.replaceChildren(...[text, ...warnings].map((sentence, n) => {
      const p = document.createElement("p");
      if (n) p.className = "warning";
      p.textContent = sentence;
      return p;
    }));
    if (takesBack) {
      const back = document.createElement("button");
      back.setAttribute("form", "press");
      Object.assign(back, { name: "takes_back", value: takesBack, textContent: "Take it back" });
      done.append(back);
    }
    done.scrollIntoView({ block: "nearest" });
  }

  async function press(form, button) {
    const body = new URLSearchParams(new FormData(form));
    body.set(button.name, button.value);
    body.set("id", freshId());
    const all = form.querySelectorAll("button");
    all.forEach((each) => { each.disabled = true; });
    answer("sending", `Sending: ${button.textContent}`, []);
    const late = new AbortController();
    const timer = setTimeout(() => late.abort(), ANSWER_MS);
    try {
      const headers = { Accept: "application/json" };
      const said = await fetch(form.action, { method: "POST", body, headers, signal: late.signal });
      const { result, text, warnings, takes_back: takesBack } = await said.json();
      answer(result, text, warnings, takesBack);
      if (result === "recorded") each(form, "textarea, .fields input", (el) => { el.value = ""; });
    } catch {
      answer("unconfirmed", NOT_CONFIRMED, []);
    }
    clearTimeout(timer);
    all.forEach((each) => { each.disabled = false; });
    button.focus({ preventScroll: true });
  }

  function offline() {
    const name = location.pathname.match(/^\/enclosure\/([^/]+)$/);
    if (name) {
      each(document, "[data-enclosure]", (el) => { el.dataset.enclosure = decodeURIComponent(name[1]); });
      each(document, "h1", (el) => put(el, decodeURIComponent(name[1])));
    }
    const retry = () => fetch("/alive", { cache: "no-store" })
      .then((said) => { if (said.ok) location.reload(); }, () => {});
    setInterval(retry, AGAIN_MS);
  }

  function dim(on) {
    if (on) html.dataset.scheme = "dim"; else delete html.dataset.scheme;
    each(document, "[data-dim]", (el) => {
      put(el, on ? "Brighter" : "Dim for the night");
      el.setAttribute("aria-pressed", String(on));
    });
  }

  html.classList.remove("fresh");
  dim(localStorage.getItem("dim") === "1");
  document.addEventListener("click", (event) => {
    if (!event.target.closest("[data-dim]")) return;
    const on = html.dataset.scheme !== "dim";
    localStorage.setItem("dim", on ? "1" : "0");
    dim(on);
  });
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-press]");
    if (!form || !event.submitter) return;
    event.preventDefault();
    press(form, event.submitter);
  });
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/worker.js").catch(() => {});
  if (html.dataset.page === "offline") { offline(); return; }
  each(document, "[data-key]", (root) => {
    const word = root.querySelector("[data-word]").dataset.word;
    const why = root.querySelector('[data-text="why"]').textContent;
    const label = root.querySelector('[data-text="label"]').textContent;
    const { station } = root.querySelector("[data-station]").dataset;
    roots.set(root.dataset.key, {
      root, station, row: null, word, label, why, leftMs: Number(root.dataset.left) * 1000, at: start,
      shown: word + why,
    });
  });
  each(document, "[data-counts-s]", (li) => {
    li.countsFrom = { left: Number(li.dataset.countsS), at: start };
  });
  if (!html.dataset.stream) return;
  // What a sleeping device shows when it wakes is what was drawn last: that may be no word.
  function sleep() {
    if (source) source.close();
    source = null;
    beat = { ...beat, slept: true };
    turn();
  }
  function wake() {
    if (document.hidden) return;
    turn();
    open();
  }
  document.addEventListener("visibilitychange", () => (document.hidden ? sleep() : wake()));
  addEventListener("pagehide", sleep);
  addEventListener("pageshow", (event) => { if (event.persisted) wake(); });
  open();
  setInterval(turn, TURN_MS);
})();
