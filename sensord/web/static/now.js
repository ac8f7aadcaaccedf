// Keeps the page alive, and sends its forms without leaving it. Without this script everything still works, by hand.
"use strict";
(() => {
  const token = document.body.dataset.token;
  const root = document.documentElement.dataset.root; // below which address this garden's pages stand
  const link = document.getElementById("link");
  const notice = document.getElementById("notice");
  const SILENCE_MS = 15000;
  let heardAt = Date.now();
  let noticeTimer = 0;

  // --- what changes

  const waiting = new Map(); // region → its news, while somebody writes in it

  function isBusy(region) {
    const at = document.activeElement;
    return region.contains(at) && at.matches("input, textarea, select") || region.dataset.dirty === "yes";
  }

  function put(name, html) {
    const region = document.querySelector(`[data-region="${CSS.escape(name)}"]`);
    if (!region) return;
    if (isBusy(region)) { waiting.set(name, html); return; }
    waiting.delete(name);
    const fresh = document.createElement("template");
    fresh.innerHTML = html;
    const same = (text) => text.replace(/\s+/g, " ").trim();
    // the same words again are not told again
    if (region.getAttribute("role") === "status" && same(region.textContent) === same(fresh.content.textContent)) return;
    const held = region.contains(document.activeElement) ? keyOf(document.activeElement) : null;
    region.replaceChildren(fresh.content);
    if (held) (find(region, held) || document.getElementById("main")).focus({ preventScroll: true });
  }

  function keyOf(element) {
    const article = element.closest("article, form, section");
    return [article && article.getAttribute("aria-label") || "", element.tagName, element.id, element.name || "", element.value || "", element.getAttribute("href") || ""].join("|");
  }

  function find(region, key) {
    return [...region.querySelectorAll("a, button, input, select, textarea, summary")].find((e) => keyOf(e) === key);
  }

  document.addEventListener("focusout", () => setTimeout(() => {
    for (const [name, html] of [...waiting]) put(name, html);
  }, 0));
  document.addEventListener("input", (event) => {
    const region = event.target.closest("[data-region]");
    if (region) region.dataset.dirty = "yes";
  });

  // --- the stream, and honesty about its silence

  function heard() {
    heardAt = Date.now();
    if (link.textContent) { link.textContent = ""; document.body.classList.remove("cut-off"); }
  }

  let source = null;
  function listen() {
    source = new EventSource(`${root}/live`);
    source.addEventListener("regions", (event) => {
      heard();
      for (const [name, html] of Object.entries(JSON.parse(event.data))) put(name, html);
    });
    source.addEventListener("beat", heard);
  }

  function check() {
    const silent = Date.now() - heardAt;
    if (silent > SILENCE_MS) {
      const at = new Date(heardAt).toLocaleTimeString();
      const text = link.dataset.cutOff.replace("{at}", at);
      if (link.textContent !== text) { link.textContent = text; document.body.classList.add("cut-off"); }
      if (source.readyState === EventSource.CLOSED) listen();
    }
  }
  listen();
  setInterval(check, 2000);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) check(); });

  // --- forms

  function say(text) {
    clearTimeout(noticeTimer);
    notice.textContent = text;
    noticeTimer = setTimeout(() => { notice.textContent = ""; }, 12000);
  }

  function once() {
    const bytes = crypto.getRandomValues(new Uint8Array(12));
    return [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
  }

  async function send(form, button) {
    const fields = new URLSearchParams(new FormData(form));
    if (button && button.name) fields.set(button.name, button.value);
    fields.set("token", token);
    // a form that failed to arrive goes again under the same number, and counts once
    form.dataset.once = form.dataset.once || once();
    fields.set("once", form.dataset.once);
    button.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch(form.action, {
        method: "POST", body: fields, headers: { Accept: "application/json" }, credentials: "same-origin", redirect: "error",
      });
      const told = await answer.json();
      say(told.text);
      if (told.ok) {
        delete form.dataset.once;
        delete form.dataset.dirty;
        const details = form.closest("details");
        if (details) { details.open = false; details.querySelector("summary").focus(); form.reset(); }
      }
    } catch {
      say(notice.dataset.lost);
    } finally {
      button.removeAttribute("aria-busy");
      for (const [name, html] of [...waiting]) put(name, html);
    }
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (new URL(form.action).pathname !== `${root}/say`) return;
    event.preventDefault();
    const button = event.submitter;
    if (button && button.getAttribute("aria-busy") !== "true") send(form, button);
  });

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-step]");
    if (!button) return;
    const input = document.getElementById(button.dataset.for);
    input.value = Math.max(0, (Number(input.value) || 0) + Number(button.dataset.step));
    input.dispatchEvent(new Event("input", { bubbles: true }));
  });

  // Enter in a field means the button beside it, not the first one of the form
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !event.target.matches(".acts input")) return;
    event.preventDefault();
    const button = event.target.closest(".field").querySelector('button[name="act"]');
    if (button) button.click();
  });
})();
