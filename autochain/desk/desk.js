"use strict";
// What the pages do: actions to the server, its answers and events into the page, fields that are turned.
// What plays is listen.js; the two speak by events on `document` (desk:place, desk:versions) and window.listen.
(() => {
  const find = (id) => document.getElementById(id);
  const facts = find("facts") && JSON.parse(find("facts").textContent);
  const PIXELS_A_STEP = 4;
  const say = (words) => (find("said").textContent = words || "");
  const told = (name, detail) => document.dispatchEvent(new CustomEvent(name, { detail }));

  // --- Fragments: the new element is merged into the old one, so that focus, caret, scroll and what is open stay.
  const keyOf = (node) => (node.nodeType === 1 ? node.id || node.dataset.key || "" : "");
  const alike = (one, other) => one.nodeType === other.nodeType && one.nodeName === other.nodeName && keyOf(one) === keyOf(other);
  const underHand = (node) =>
    (node === turned || waiting.has(node.dataset.key) || busy === node.dataset.key || typedIn(node) || node.querySelector("[aria-invalid=true]"));
  const revisionOf = (node) => Number(node.closest("[data-revision]").dataset.revision);
  const late = new Map(); // by field: what came for it while it was under the hand
  const settled = new Map(); // by field: the revision that its last turn made
  const typedIn = (node) => {
    const input = node.querySelector("input");
    return input && input === document.activeElement && input.dataset.typed === "yes";
  };
  const merge = (old, fresh) => {
    if (old.nodeType !== 1) {
      if (old.data !== fresh.data) old.data = fresh.data;
      return;
    }
    if (old.classList.contains("wrong")) return;
    if (old.classList.contains("field")) {
      if (revisionOf(fresh) < (settled.get(old.dataset.key) || 0)) return; // from before the turn that is shown
      if (underHand(old)) {
        late.set(old.dataset.key, fresh); // shown when the hand has let go
        return;
      }
    }
    for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name) && !keeps(old, name)) old.removeAttribute(name);
    for (const { name, value } of [...fresh.attributes]) if (old.getAttribute(name) !== value && !keeps(old, name)) old.setAttribute(name, value);
    mergeInside(old, fresh);
    if (old.nodeName === "INPUT" && old !== document.activeElement) {
      if (["checkbox", "radio"].includes(old.type)) old.checked = fresh.hasAttribute("checked") || (old.checked && !old.closest("[data-reference]") && Boolean(old.name));
      else if (old.type === "text" && !(old.form && old.dataset.typed)) old.value = fresh.getAttribute("value");
    } else if (old.nodeName === "INPUT" && old.closest(".field")) old.value = fresh.getAttribute("value");
    if (old.nodeName === "SELECT" && old.closest(".field")) old.value = (fresh.querySelector("[selected]") || fresh.options[0]).value;
  };
  // What the user has opened stays open, and what a script moves stays where it is.
  const keeps = (node, name) => (node.nodeName === "DETAILS" && name === "open") || (node.classList.contains("head") && name === "transform") || ["aria-invalid", "data-typed"].includes(name);
  const mergeInside = (old, fresh) => {
    const wanted = new Set([...fresh.children].map(keyOf).filter(Boolean));
    for (const child of [...old.children]) if (keyOf(child) && !wanted.has(keyOf(child))) child.remove();
    const kept = new Map([...old.children].filter(keyOf).map((child) => [keyOf(child), child]));
    let at = old.firstChild;
    for (const one of [...fresh.childNodes]) {
      const key = keyOf(one);
      const same = key ? kept.get(key) : at && alike(at, one) ? at : null;
      if (!same || !alike(same, one)) {
        old.insertBefore(one, at);
        continue;
      }
      if (same === at) at = at.nextSibling;
      else old.insertBefore(same, at);
      merge(same, one);
    }
    while (at) {
      const next = at.nextSibling;
      at.remove();
      at = next;
    }
  };
  const show = (fragments) => {
    for (const [id, html] of Object.entries(fragments || {})) {
      const old = find(id);
      if (!old) continue;
      const made = document.createElement("template");
      made.innerHTML = html.trim();
      const fresh = made.content.firstElementChild;
      if (fresh && alike(old, fresh)) merge(old, fresh);
      else if (fresh) old.replaceWith(fresh);
    }
  };

  // --- Actions. Of several turns of one field only the newest waits, while one is under way.
  const ask = async (asked) => {
    const answer = await fetch(facts ? `/song/${facts.song}/do` : "/do", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(asked) });
    const given = await answer.json().catch(() => ({ error: "the desk gave no answer that can be read." }));
    if (!answer.ok) throw new Error(given.error || "the desk refused this.");
    show(given.fragments);
    if (given.versions) told("desk:versions", given.versions);
    if (given.place) told("desk:place", given.place);
    return given;
  };
  const heard = (error) => (error instanceof TypeError ? "the desk does not answer. Is it still running?" : error.message);
  const act = async (asked) => {
    say("");
    try {
      return await ask(asked);
    } catch (error) {
      say(heard(error));
      return null;
    }
  };
  const at = () => (window.listen ? window.listen.position() : 0);

  let busy = null; // key of the field whose turn is under way
  let turned = null; // the field that a pointer is dragging
  const waiting = new Map();
  const send = async (field, asked) => {
    waiting.delete(field.dataset.key); // the newest goes last
    waiting.set(field.dataset.key, { field, asked });
    if (busy) return;
    while (waiting.size) {
      const [key, next] = waiting.entries().next().value;
      waiting.delete(key);
      busy = key;
      try {
        const { place } = await ask({ ...next.asked, at_s: at() });
        if (place) settled.set(key, place.revision);
        wrong(next.field, "");
      } catch (error) {
        wrong(next.field, heard(error));
      }
      busy = null;
      const fresh = late.get(key);
      late.delete(key);
      if (fresh && next.field.isConnected) merge(next.field, fresh);
    }
  };
  const wrong = (where, words) => {
    const line = where.querySelector(".wrong");
    if (line.textContent !== words) line.textContent = words;
    const input = where.querySelector("input");
    if (!input || !where.classList.contains("field")) return;
    if (words) input.setAttribute("aria-invalid", "true");
    else input.removeAttribute("aria-invalid");
  };
  const turn = (field, value) => {
    if (field.closest("[data-aims]")) send(field, { action: "aim", [field.dataset.parameter]: value });
    else send(field, { action: "turn", stage: field.closest("[data-stage]").dataset.stage, parameter: field.dataset.parameter, value });
  };

  // --- Fields. A step is what a hand can set; on a log scale two digits, never finer than the step.
  const rangeOf = (field) => {
    const { low, high, step, off, scale, whole } = field.dataset;
    return { low: Number(low), high: Number(high), step: Number(step), off: off === undefined ? null : Number(off), log: scale === "log", whole: whole === "yes" };
  };
  const inputOf = (field) => field.querySelector("input");
  const digits = (step) => Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const stepAt = (range, value) => (range.log && value > 0 ? Math.max(range.step, 10 ** (Math.floor(Math.log10(value) + 1e-9) - 1)) : range.step);
  const valueOf = (field) => {
    const text = inputOf(field).value.trim().replace(",", ".").replace("−", "-");
    if (text.toLowerCase() === "off") return rangeOf(field).off;
    return text === "" ? NaN : Number(text);
  };
  const stepped = (range, from, steps) => {
    let value = from;
    for (let k = 0; k < Math.abs(steps); k += 1) {
      const up = steps > 0;
      if (range.off !== null && value === range.off) {
        if (!up) break;
        value = range.low;
        continue;
      }
      if (!up && value <= range.low) {
        if (range.off !== null) value = range.off;
        break;
      }
      // Downwards from a power of ten the finer step holds.
      const step = up ? stepAt(range, value) : stepAt(range, value * (1 - 1e-9));
      value = Math.min(range.high, Math.max(range.low, Math.round(value / step + (up ? 1 : -1)) * step));
      value = Number(value.toFixed(digits(step) + 1));
    }
    return value;
  };
  const shareOf = (range, value) => {
    const [low, high, here] = [range.low, range.high, Math.min(range.high, Math.max(range.low, value))].map((v) => (range.log ? Math.log(v) : v));
    return (100 * (here - low)) / (high - low);
  };
  const draw = (field, value) => {
    const [input, range] = [inputOf(field), rangeOf(field)];
    input.value = range.off !== null && value === range.off ? "off" : String(value);
    delete input.dataset.typed;
    input.setAttribute("aria-valuenow", String(value));
    input.setAttribute("aria-valuetext", `${input.value} ${field.querySelector(".unit").textContent}`);
    field.querySelector(".now").setAttribute("transform", `translate(${shareOf(range, value).toFixed(2)} 0)`);
  };
  const set = (field, value) => {
    draw(field, value);
    turn(field, value);
  };
  const move = (field, steps, from = valueOf(field)) => {
    const range = rangeOf(field);
    const start = Number.isFinite(from) ? from : Number(inputOf(field).getAttribute("aria-valuenow"));
    const next = stepped(range, start, steps);
    if (next !== valueOf(field)) set(field, next);
  };
  const typed = (field) => {
    const input = inputOf(field);
    if (input.dataset.typed !== "yes") return;
    const value = valueOf(field);
    if (!Number.isFinite(value)) {
      wrong(field, `${JSON.stringify(input.value)} is not a number.`);
      return;
    }
    if (value === Number(input.getAttribute("aria-valuenow"))) {
      draw(field, value);
      wrong(field, "");
      return;
    }
    draw(field, value);
    turn(field, value); // as typed: the desk says what is wrong with it
  };
  const fieldOf = (target) => (target.closest ? target.closest(".field[data-low]") : null);

  document.addEventListener("input", (event) => {
    if (event.target.matches(".field input, .keep input")) event.target.dataset.typed = "yes";
  });
  document.addEventListener("change", (event) => {
    const { target } = event;
    const field = target.closest(".field");
    if (field && target.nodeName === "SELECT") turn(field, target.value);
    else if (field) typed(field);
    else if (target.id === "by-choices") act({ action: "by_choices", on: target.checked });
    else if (target.dataset.reference !== undefined) act({ action: "reference", name: target.dataset.reference, on: target.checked });
    else if (target.dataset.upload) {
      upload([...target.files], target.dataset.upload);
      target.value = "";
    }
  });
  document.addEventListener("focusin", (event) => {
    if (fieldOf(event.target) && event.target.nodeName === "INPUT" && !turned) event.target.select();
  });
  document.addEventListener("keydown", (event) => {
    const field = event.target.nodeName === "INPUT" ? fieldOf(event.target) : null;
    if (!field || event.altKey || event.metaKey) return;
    const many = event.shiftKey ? 10 : 1;
    const { low, high } = rangeOf(field);
    if (event.ctrlKey && event.key === "Home") set(field, low);
    else if (event.ctrlKey && event.key === "End") set(field, high);
    else if (event.ctrlKey) return;
    else if (event.key === "ArrowUp") move(field, many);
    else if (event.key === "ArrowDown") move(field, -many);
    else if (event.key === "PageUp") move(field, 10);
    else if (event.key === "PageDown") move(field, -10);
    else if (event.key === "Enter") typed(field);
    else if (event.key === "Escape") {
      event.target.value = event.target.getAttribute("value"); // what the desk has
      draw(field, valueOf(field));
      wrong(field, "");
    } else return;
    event.preventDefault();
  });
  document.addEventListener(
    "wheel",
    (event) => {
      const field = fieldOf(event.target);
      if (!field || inputOf(field) !== document.activeElement || event.ctrlKey) return;
      event.preventDefault();
      const down = event.deltaY || event.deltaX; // with Shift browsers scroll sideways
      if (down) move(field, (down < 0 ? 1 : -1) * (event.shiftKey ? 10 : 1));
    },
    { passive: false },
  );
  document.addEventListener("pointerdown", (event) => {
    const held = event.target.closest(".field .range, .field label");
    const field = held && fieldOf(held);
    if (!field || event.button !== 0) return;
    const [start, from, id] = [event.clientX, valueOf(field), event.pointerId];
    let steps = 0;
    let last = start;
    let moved = 0;
    const over = (move_) => {
      if (move_.pointerId !== id) return;
      if (!turned && Math.abs(move_.clientX - start) < PIXELS_A_STEP) return;
      if (!turned) {
        turned = field;
        held.setPointerCapture(id);
        document.documentElement.classList.add("turning");
      }
      moved += ((move_.clientX - last) / PIXELS_A_STEP) * (move_.shiftKey ? 10 : 1);
      last = move_.clientX;
      if (Math.trunc(moved) === steps) return;
      steps = Math.trunc(moved);
      move(field, steps, from); // from where it began, so that going back comes back
    };
    const ends = (up) => {
      if (up.pointerId !== id) return;
      held.removeEventListener("pointermove", over);
      for (const kind of ["pointerup", "pointercancel"]) held.removeEventListener(kind, ends);
      if (!turned) return;
      turned = null;
      document.documentElement.classList.remove("turning");
      held.addEventListener("click", (click) => click.preventDefault(), { once: true });
    };
    held.addEventListener("pointermove", over);
    for (const kind of ["pointerup", "pointercancel"]) held.addEventListener(kind, ends);
  });

  // --- Buttons and forms.
  const stageOf = (target) => target.closest("[data-stage]").dataset.stage;
  // What is lost with a press is asked for once more.
  const sure = (button) => {
    if (button.dataset.sure || !button.dataset.lost) return true;
    const words = button.textContent;
    button.dataset.sure = "asked";
    button.textContent = button.dataset.lost;
    setTimeout(() => {
      delete button.dataset.sure;
      button.textContent = words;
    }, 4000);
    return false;
  };
  const press = (button) => {
    const field = button.closest(".field");
    const { act: name, switch: on, around, lock, band } = button.dataset;
    if (lock !== undefined) act({ action: "lock", stage: stageOf(button), parameter: field.dataset.parameter, on: button.getAttribute("aria-pressed") !== "true" });
    else if (band) act({ action: "turn", stage: stageOf(button), parameter: band, value: 0, at_s: at() });
    else if (on) act({ action: "switch", stage: stageOf(button), on: on === "on", at_s: at() });
    else if (name === "search") act({ action: "search", around: around === "yes" });
    else if (name === "compare") act({ action: name, version: button.closest("[data-version]").dataset.version, by: (button.parentElement.querySelector("[data-by]") || { value: "" }).value });
    else if (name === "drop") sure(button) && act({ action: name, version: button.closest("[data-version]").dataset.version });
    else if (name === "take") act({ action: name, version: button.closest("[data-version]").dataset.version, at_s: at() });
    else if (["undo", "redo"].includes(name)) act({ action: name, at_s: at() });
    else if (name === "stop") act({ action: name, ...(button.dataset.job && { job: Number(button.dataset.job) }) });
    else if (name) act({ action: name });
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button && !button.disabled) press(button);
    const point = event.target.closest("[data-point]");
    if (point) act({ action: "point", lufs: Number(point.dataset.point), at_s: at() });
  });
  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (form.method === "dialog") return;
    event.preventDefault();
    const sent = async (asked) => {
      try {
        wrong(form, "");
        await ask(asked);
        return true;
      } catch (error) {
        wrong(form, heard(error));
        return false;
      }
    };
    if (form.dataset.keep !== undefined) {
      const name = form.elements.name;
      if (await sent({ action: "keep", name: name.value.trim() })) delete name.dataset.typed;
    }
    if (form.dataset.rename !== undefined) await sent({ action: "rename", version: form.closest("[data-version]").dataset.version, name: form.elements.name.value.trim() });
    if (form.dataset.deliver !== undefined) {
      const rate = form.elements.rate.value;
      const asked = [...form.querySelectorAll("[name=format]:checked:not(:disabled)")].map((one) => one.value);
      await sent({ action: "deliver", formats: [...asked, ...(rate ? [`wav24@${rate}`] : [])], replace: form.elements.replace ? form.elements.replace.checked : false });
    }
  });

  // --- Keys.
  const openKeys = () => find("keys").showModal();
  find("keys-open").addEventListener("click", openKeys);
  document.addEventListener("keydown", (event) => {
    // What is typed has an undo of its own; a setting that nobody types in has the desk's.
    const writes = event.target.matches("input[type=text], input[type=number], textarea") && (!event.target.closest(".field") || event.target.dataset.typed === "yes");
    const held = event.ctrlKey || event.metaKey;
    const key = event.key.toLowerCase();
    const point = event.target.closest && event.target.closest("[data-point]");
    if (held && !event.altKey && (key === "z" || key === "y") && facts && !writes) {
      event.preventDefault();
      act({ action: key === "y" || event.shiftKey ? "redo" : "undo", at_s: at() });
    } else if (event.key === "?" && !held && !writes) {
      event.preventDefault();
      openKeys();
    } else if (point && (event.key === "Enter" || event.key === " ")) {
      event.preventDefault();
      event.stopPropagation();
      act({ action: "point", lufs: Number(point.dataset.point), at_s: at() });
    } else if (point && ["ArrowLeft", "ArrowRight"].includes(event.key)) {
      event.preventDefault();
      event.stopPropagation();
      const all = [...document.querySelectorAll("[data-point]")];
      const next = all[all.indexOf(point) + (event.key === "ArrowRight" ? 1 : -1)];
      if (next) next.focus();
    }
  }, true);

  // --- Files.
  const upload = async (files, as) => {
    let told = "";
    for (const file of files) {
      say(`copying ${file.name} …`);
      const song = facts && as !== "mix" ? `&song=${facts.song}` : "";
      try {
        const answer = await fetch(`/files/${encodeURIComponent(file.name)}?as=${as}${song}`, { method: "PUT", body: file });
        const given = await answer.json().catch(() => ({}));
        if (!answer.ok) throw new Error(given.error || `${file.name} was refused.`);
        told = given.said || told;
      } catch (error) {
        say(heard(error));
        return;
      }
    }
    say(told);
  };
  const brings = (event) => event.dataTransfer && [...event.dataTransfer.types].includes("Files");
  const dropping = (on) => (on ? (document.documentElement.dataset.dropping = "yes") : delete document.documentElement.dataset.dropping);
  document.addEventListener("dragover", (event) => {
    if (!brings(event)) return;
    event.preventDefault();
    dropping(true);
  });
  document.addEventListener("dragleave", (event) => event.relatedTarget || dropping(false));
  document.addEventListener("drop", (event) => {
    if (!brings(event)) return;
    event.preventDefault();
    dropping(false);
    const place = event.target.closest("[data-drop]") || (facts ? null : document.querySelector("[data-drop]"));
    if (place) upload([...event.dataTransfer.files], place.dataset.drop);
    else say(facts ? "Drop it on “compare” or on “references for tone”, so that it is clear what it is." : "Drop mixes on the page of the songs.");
  });

  // --- Events: one connection a page that is seen; whoever comes back hears everything anew.
  let events = null;
  const listen = (again) => {
    if (events) return;
    const asked = [facts && `song=${facts.song}`, again && "again=1"].filter(Boolean).join("&");
    events = new EventSource(`/events${asked && `?${asked}`}`);
    events.addEventListener("message", (event) => hear(JSON.parse(event.data)));
  };
  const leave = () => {
    if (events) events.close();
    events = null;
  };
  const hear = (one) => {
    const here = !one.song || (facts && facts.song === one.song);
    if (one.kind === "fragment" && here) show({ [one.id]: one.html });
    else if (one.kind === "versions" && here && facts) told("desk:versions", one.versions);
    else if (one.kind === "said" && here) say(one.words);
    else if (one.kind === "work") {
      const elsewhere = (job) => (job.name && job.words && !(facts && facts.song === job.song) && !job.words.includes(job.name) ? `${job.name}: ` : "");
      const share = one.share ? ` ${Math.round(100 * one.share)} %` : " …";
      const then = one.left > 1 ? `, ${one.left} checks left` : "";
      const words = one.words || one.phase;
      find("work").hidden = !words && !one.waiting.length;
      find("work-words").textContent = words ? `${elsewhere(one)}${words}${share}${then}` : "";
      find("work-words").title = `${find("work-words").textContent}${one.words && one.phase ? `: ${one.phase}` : ""}`;
      find("work-share").value = one.share || 0;
      find("stop").dataset.job = one.job === null ? "" : String(one.job);
      find("waiting").hidden = one.waiting.length === 0;
      find("waiting").querySelector("summary").textContent = `${one.waiting.length} waiting`;
      find("waiting").querySelector("ul").replaceChildren(...one.waiting.map((job) => {
        const [line, stop] = [document.createElement("li"), document.createElement("button")];
        Object.assign(stop, { type: "button", textContent: "stop" });
        Object.assign(stop.dataset, { act: "stop", job: String(job.job) });
        line.append(`${elsewhere(job)}${job.words} `, stop);
        return line;
      }));
    } else if (one.kind === "away") leave();
  };
  document.addEventListener("visibilitychange", () => (document.hidden ? leave() : listen(true)));
  document.addEventListener("pointerdown", () => listen(true), true);
  listen(false);
  find("said").addEventListener("click", () => say(""));
  window.desk = { act, facts, show };
})();
