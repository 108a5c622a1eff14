// Brings the table of sites up to date without moving what somebody reads or types.
"use strict";

(() => {
  const again = Number(document.currentScript.dataset.again) * 1000;

  async function renew() {
    if (document.hidden) return;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (!answer.ok || answer.redirected) throw new Error(answer.statusText);
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const name of ["notice", "levels", "rows"]) {
        const old = document.getElementById(name);
        if (!old.contains(document.activeElement)) old.replaceWith(fresh.getElementById(name));
      }
      document.getElementById("contact").hidden = true;
    } catch {
      document.getElementById("contact").hidden = false;
    }
  }

  setInterval(renew, again);
  document.addEventListener("visibilitychange", renew);
})();
