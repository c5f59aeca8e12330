// Keys for what the page offers anyway: an element says its key in data-key and what it does in data-does.
"use strict";
(() => {
  const keyed = () => [...document.querySelectorAll("[data-key]")].filter((element) => element.checkVisibility());
  // In a list of makers letters choose a maker.
  const typing = (target) => target.matches?.("textarea, select, input:not([type=checkbox])");

  const help = () => {
    const dialog = document.getElementById("keys-help");
    const list = document.getElementById("keys-list");
    list.replaceChildren(...keyed().flatMap((element) => {
      const [key, does] = [document.createElement("dt"), document.createElement("dd")];
      key.textContent = element.dataset.key;
      does.textContent = element.dataset.does;
      return [key, does];
    }));
    dialog.showModal();
  };

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector("dialog[open]")) return;
    if (event.key === "Escape" && event.target instanceof HTMLElement) {
      event.target.blur();
      return;
    }
    // A maker that was chosen is said with Enter.
    if (event.key === "Enter" && event.target instanceof HTMLSelectElement) {
      event.preventDefault();
      event.target.form.querySelector("button").click();
      return;
    }
    if (typing(event.target)) return;
    if (event.key === "?") {
      event.preventDefault();
      help();
      return;
    }
    // Enter on something that is in focus does what that does.
    if (event.key === "Enter" && event.target !== document.body) return;
    const element = keyed().find((one) => one.dataset.key === event.key);
    if (!element) return;
    event.preventDefault();
    if (element.matches("textarea, select, input")) element.focus();
    else element.click();
  });

  // Passkeys, in browsers that have them: the page asks the base what to ask the browser, and sends what that answers.
  const answered = async (form) => {
    const asked = await fetch(form.dataset.passkey, { method: "POST", body: new URLSearchParams(new FormData(form)) });
    if (!asked.ok) throw new Error(`${asked.status}`);
    const options = await asked.json();
    if (form.dataset.makes) {
      return navigator.credentials.create({ publicKey: PublicKeyCredential.parseCreationOptionsFromJSON(options) });
    }
    return navigator.credentials.get({ publicKey: PublicKeyCredential.parseRequestOptionsFromJSON(options) });
  };
  for (const form of document.querySelectorAll("form[data-passkey]")) {
    if (!window.PublicKeyCredential?.parseRequestOptionsFromJSON) break;
    form.hidden = false;
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      event.stopPropagation();
      form.querySelector("[role=alert]").hidden = true;
      answered(form).then((credential) => {
        form.elements.credential.value = JSON.stringify(credential);
        form.submit();
      }, () => { form.querySelector("[role=alert]").hidden = false; });
    });
  }

  // A form that was sent isn't sent twice.
  document.addEventListener("submit", (event) => {
    if (event.target.dataset.sent) event.preventDefault();
    event.target.dataset.sent = "yes";
  });
  window.addEventListener("pageshow", () => document.querySelectorAll("form[data-sent]").forEach((form) => delete form.dataset.sent));
})();
