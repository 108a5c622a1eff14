// What the pages do by themselves: links without reloading, units, look, ages, and the pulse of the server.
"use strict";

window.tricklebook = window.tricklebook || {};

(function () {
  const root = document.documentElement;
  const say = (id, props) => window.dash_clientside.set_props(id, props);
  const listeners = [];
  const PULSE_MS = 750;
  const seen = { live: null, results: null };
  let lostSince = null;
  let shownPath = null;

  window.tricklebook.onPulse = (listener) => listeners.push(listener);
  window.tricklebook.refresh = () => {
    say("pulse-results", { data: "asked " + performance.now() });
    say("pulse-live", { data: "asked " + performance.now() });
  };
  window.tricklebook.look = () => root.dataset.theme;

  function chooseLook(look) {
    root.dataset.theme = look;
    try {
      localStorage.setItem("tricklebook-look", look);
    } catch (refused) {
      // A browser that keeps nothing still shows the look until the page is left.
    }
    markLook();
    document.dispatchEvent(new CustomEvent("tricklebook-look"));
  }

  function markLook() {
    document.querySelectorAll("[data-choose-look]").forEach((button) => {
      button.setAttribute("aria-pressed", String(button.dataset.chooseLook === root.dataset.theme));
    });
  }

  function firstLook() {
    let kept = null;
    try {
      kept = localStorage.getItem("tricklebook-look");
    } catch (refused) {
      kept = null;
    }
    const dark = window.matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = kept === "dark" || kept === "light" ? kept : dark ? "dark" : "light";
  }

  document.addEventListener("click", (event) => {
    const link = event.target.closest("a.inside");
    const plain = event.button === 0 && !event.metaKey && !event.ctrlKey && !event.shiftKey && !event.altKey;
    if (link && plain) {
      event.preventDefault();
      const to = new URL(link.href);
      say("where", { pathname: to.pathname, search: to.search, hash: to.hash });
      return;
    }
    const out = event.target.closest("[data-log-out]");
    if (out) {
      const headers = { "X-Tricklebook-Token": root.dataset.token };
      fetch(root.dataset.prefix + "logout", { method: "POST", headers }).then(() => window.location.reload());
      return;
    }
    const units = event.target.closest("[data-choose-units]");
    if (units) {
      say("units", { data: units.dataset.chooseUnits });
    }
    const look = event.target.closest("[data-choose-look]");
    if (look) {
      chooseLook(look.dataset.chooseLook);
    }
  });

  function showAges() {
    const now = Date.now() + window.tricklebook.clockError;
    document.querySelectorAll("[data-since]").forEach((span) => {
      const text = ago((now - Number(span.dataset.since)) / 1000);
      if (span.textContent !== text) {
        span.textContent = text;
      }
    });
  }

  function ago(seconds) {
    const whole = Math.max(0, Math.round(seconds));
    const span =
      whole < 60
        ? whole + " s"
        : whole < 3600
          ? Math.floor(whole / 60) + " min"
          : whole < 172800
            ? Math.floor(whole / 3600) + " h"
            : Math.floor(whole / 86400) + " d";
    return (root.dataset.ago || "{span}").replace("{span}", span);
  }

  window.tricklebook.clockError = 0;

  function contact(ok) {
    const box = document.getElementById("contact");
    if (!box) {
      return;
    }
    if (ok) {
      lostSince = null;
      box.hidden = true;
      root.classList.remove("no-contact");
      return;
    }
    if (lostSince === null) {
      lostSince = new Date();
      const clock = lostSince.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit" });
      box.textContent = box.dataset.lost.replace("{clock}", clock);
    }
    box.hidden = false;
    root.classList.add("no-contact");
  }

  async function pulse() {
    try {
      const answer = await fetch(root.dataset.prefix + "api/pulse", { cache: "no-store" });
      if (answer.status === 401) {
        window.location.reload();
        return;
      }
      if (!answer.ok) {
        throw new Error(String(answer.status));
      }
      const beat = await answer.json();
      root.dataset.token = beat.token;
      window.tricklebook.clockError = beat.now - Date.now();
      contact(true);
      tell(beat);
    } catch (error) {
      contact(false);
    }
    window.setTimeout(pulse, document.hidden ? 5 * PULSE_MS : PULSE_MS);
  }

  function tell(beat) {
    const first = seen.live === null;
    const live = beat.live !== seen.live;
    const results = beat.results !== seen.results;
    seen.live = beat.live;
    seen.results = beat.results;
    if (first) {
      return;
    }
    if (live) {
      say("pulse-live", { data: beat.live });
    }
    if (results) {
      say("pulse-results", { data: beat.results });
    }
    if (live || results) {
      listeners.forEach((listener) => listener(beat));
    }
  }

  // Parts of a page are put in anew when results come in; what somebody has opened, and where the focus is, stays.
  const openFolds = new Set();
  let focused = null;

  function key(element) {
    const holder = element.closest("[data-row], [data-kind], [data-sensor], [data-zone], section");
    const row = holder ? Object.values(holder.dataset).join(" ") : "";
    return [shownPath, row, element.tagName, element.textContent.trim()].join("|");
  }

  document.addEventListener(
    "toggle",
    (event) => {
      const summary = event.target.querySelector("summary");
      if (summary && event.target.isConnected) {
        openFolds[event.target.open ? "add" : "delete"](key(summary));
      }
    },
    true,
  );
  document.addEventListener("focusin", (event) => {
    focused = event.target.closest("#live, #body, .chart-choices") ? key(event.target) : null;
  });

  function restore() {
    if (openFolds.size) {
      document.querySelectorAll("#page details:not([open]) > summary").forEach((summary) => {
        if (openFolds.has(key(summary))) {
          summary.parentElement.open = true;
        }
      });
    }
    if (focused && document.activeElement === document.body) {
      const places = ["#live a", "#live button", "#body a", "#body button", "#body summary", ".chart-choices a"];
      const same = [...document.querySelectorAll(places.join(", "))];
      const again = same.find((element) => key(element) === focused);
      if (again) {
        again.focus({ preventScroll: true });
      }
    }
  }

  // A page was put in: give it its title, move the focus to its heading, and ask for its newest state, because
  // an answer meant for the page before may have come in between.
  function arrived() {
    markLook();
    showAges();
    restore();
    const page = document.querySelector("[data-title]");
    if (!page || page.dataset.path === shownPath) {
      return;
    }
    document.title = page.dataset.title + " \u2013 " + root.dataset.name;
    if (shownPath !== null) {
      const heading = page.querySelector("h1");
      heading.focus({ preventScroll: true });
      window.scrollTo(0, 0);
      say("pulse-live", { data: "arrived " + page.dataset.path });
      say("pulse-results", { data: "arrived " + page.dataset.path });
    }
    shownPath = page.dataset.path;
  }

  firstLook();
  new MutationObserver(arrived).observe(document.body, { childList: true, subtree: true });
  window.setInterval(showAges, 1000);
  document.addEventListener("visibilitychange", () => document.hidden || showAges());
  window.addEventListener("load", pulse);
})();
