// Forms: sends what a person writes, says what came of it, and keeps drafts until the server has kept them.
"use strict";

(function () {
  const root = document.documentElement;

  function key(form) {
    return "tricklebook-draft|" + [form.dataset.address, form.dataset.about].join("|");
  }

  function drafts(form) {
    try {
      return JSON.parse(sessionStorage.getItem(key(form)) || "{}");
    } catch (refused) {
      return {};
    }
  }

  // The mark by which the server knows an entry that is sent again because its answer was lost.
  function mark(form) {
    if (!form.dataset.entry) {
      const kept = drafts(form)["entry mark"];
      const digits = Array.from(crypto.getRandomValues(new Uint8Array(16)), (n) => n.toString(16).padStart(2, "0"));
      form.dataset.entry = kept || digits.join("");
    }
    return form.dataset.entry;
  }

  function keepDraft(form) {
    const values = { ...Object.fromEntries(new FormData(form)), "entry mark": mark(form) };
    try {
      sessionStorage.setItem(key(form), JSON.stringify(values));
    } catch (refused) {
      // A browser that keeps nothing still sends what is written.
    }
  }

  function dropDraft(form) {
    delete form.dataset.entry;
    try {
      const name = drafts(form).person;
      sessionStorage.removeItem(key(form));
      if (name) {
        sessionStorage.setItem("tricklebook-name", name);
      }
    } catch (refused) {
      // Nothing was kept, so nothing is to be dropped.
    }
  }

  // A form that was put in anew gets its draft back.
  function restore() {
    document.querySelectorAll("form.entry:not([data-met])").forEach((form) => {
      form.dataset.met = "yes";
      const kept = drafts(form);
      for (const field of form.elements) {
        if (field.name && field.type !== "submit" && kept[field.name] !== undefined) {
          field.value = kept[field.name];
        } else if (field.name === "person" && !field.value) {
          field.value = sessionStorage.getItem("tricklebook-name") || "";
        }
      }
    });
  }

  // A text that may come from a file: the file is read here and shown, so that what is sent is what is seen.
  function offerFiles() {
    document.querySelectorAll(".from-file:not([data-met])").forEach((place) => {
      place.dataset.met = "yes";
      const label = document.createElement("label");
      const input = document.createElement("input");
      input.type = "file";
      input.accept = ".csv,.txt,text/csv,text/plain";
      label.append(place.dataset.word + " ", input);
      place.append(label);
      input.addEventListener("change", async () => {
        const form = place.closest("form");
        const area = form.elements[place.dataset.fileInto];
        if (input.files.length) {
          area.value = (await input.files[0].text()).slice(0, 100000);
          input.value = "";
          keepDraft(form);
        }
      });
    });
  }

  async function send(form, action) {
    const answer = form.querySelector(".answer");
    const values = { ...Object.fromEntries(new FormData(form)), action, about: form.dataset.about };
    const buttons = form.querySelectorAll("button");
    buttons.forEach((button) => (button.disabled = true));
    try {
      const got = await fetch(form.dataset.address, {
        method: "POST",
        headers: {
          "Content-Type": "application/json",
          "X-Tricklebook-Token": root.dataset.token,
          "X-Tricklebook-Entry": mark(form),
        },
        body: JSON.stringify(values),
      });
      const said = await got.json();
      answer.className = got.ok ? "answer kept" : "answer refused";
      answer.textContent = said.message;
      if (got.ok) {
        dropDraft(form);
        const name = sessionStorage.getItem("tricklebook-name") || "";
        form.querySelectorAll("textarea").forEach((area) => (area.value = area.name === "person" ? name : ""));
        window.tricklebook.refresh();
      }
    } catch (error) {
      answer.className = "answer refused";
      answer.textContent = form.dataset.failed;
    }
    buttons.forEach((button) => (button.disabled = false));
  }

  // A field of one line: Enter sends the form.
  document.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target.matches("form.entry textarea.line")) {
      event.preventDefault();
      event.target.form.requestSubmit(event.target.form.querySelector("button"));
    }
  });
  document.addEventListener("input", (event) => {
    const form = event.target.closest("form.entry");
    if (form) {
      keepDraft(form);
    }
  });
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form.entry");
    if (form) {
      event.preventDefault();
      send(form, event.submitter ? event.submitter.value : "keep");
    }
  });
  new MutationObserver(() => {
    restore();
    offerFiles();
  }).observe(document.body, { childList: true, subtree: true });
})();
