"use strict";
// The player's bar: versions, keys, the place that repeats, level; and what is to be heard after anything was done.
(() => {
  const find = (id) => document.getElementById(id);
  if (!find("player")) return;
  const START_DB = -20;
  const BEFORE_S = 2; // of the place that repeats: what one wants to hear again has just been
  const RUN_UP_S = 1; // in front of a time that is pressed
  const END_S = 0.6; // of the place that repeats: of a time so late the desk takes the next place
  const { act, facts } = window.desk;
  const length = facts.frames / facts.rate_hz;
  const frames = (s) => Math.round(s * facts.rate_hz);
  let versions = facts.versions;
  let chosen = "mix";
  let equal = true;
  let repeating = false;

  const say = (words) => (find("listen-said").textContent = words);
  const clock = (s) => `${Math.floor(s / 60)}:${((Math.floor(s * 10) / 10) % 60).toFixed(1).padStart(4, "0")}`;
  const decibels = (db) => `${db.toFixed(1)} dB`;
  const versionOf = (key) => versions.find((one) => one.key === key);
  // As long as it is not known how loud one is, it is turned down as far as any.
  const equalDb = (one) => (one.lufs === null && one.key !== "mix" ? Math.min(...versions.map((any) => any.gain_db)) : one.gain_db);
  const heardOf = (one) => ({ key: one.key, revision: one.revision, gain_db: equal ? equalDb(one) : 0 });
  const sound = soundOf(facts, {
    moved: () => show(),
    failed: say,
    others: () => (blind.running() ? [] : slotted().map(({ held }) => held).filter((one) => one.key !== chosen).map(heardOf)),
  });

  // A place as the desk solves it: 6 s from a whole hundredth of a second on.
  const placeAt = (s) => {
    const hop = Math.round(facts.rate_hz / 100);
    const hops = Math.floor(facts.frames / hop);
    const count = Math.min(600, hops);
    const first = Math.min(Math.max(0, Math.round(100 * (s - BEFORE_S))), hops - count) * hop;
    return { first, stop: first + count * hop };
  };
  const repeat = async (place) => {
    sound.repeat(place);
    if (!place) return;
    sound.grid(place.first);
    // The next turned knob is solved here. Nothing is lost if the desk does not hear of it.
    const body = JSON.stringify({ action: "place", start_s: place.first / facts.rate_hz });
    const answer = await fetch(`/song/${facts.song}/do`, { method: "POST", body }).catch(() => null);
    const told = answer && answer.ok && (await answer.json());
    if (told && told.versions) changed(told.versions);
  };
  const blind = blindOf(facts, sound, {
    versions: () => versions,
    tell: act,
    say,
    placeAt,
    changed: () => show(),
    ended: () => {
      if (!repeating) sound.repeat(null);
      hear();
      show();
    },
  });

  const hear = (at) => {
    const one = blind.running() ? blind.heard() : heardOf(versionOf(chosen));
    if (sound.playing() && one) sound.replace(one, at);
    show();
  };
  // One button a version; of the many of a kind one is held, and a list beside the button has them all.
  const KINDS = [["kept.", "kept", 3], ["point.", "curve", 1], ["bounce.", "bounces", 1]];
  const holds = new Map(); // by kind: the key that is held
  const slotted = () => {
    const list = [];
    for (const [mark, , most] of [...KINDS, ["", "", 0]]) {
      const own = versions.filter(({ key }) => (mark ? key.startsWith(mark) : !KINDS.some(([kind]) => key.startsWith(kind))));
      if (!mark) list.unshift(...own.map((one) => ({ held: one, all: [one], name: one.name })));
      else if (own.length > most) list.push({ held: heldOf(mark, own), all: own, name: KINDS.find(([kind]) => kind === mark)[1], mark });
      else list.push(...own.map((one) => ({ held: one, all: [one], name: one.name })));
    }
    return list;
  };
  // Until one was chosen: the one nearest to the loudness of your settings.
  const heldOf = (mark, own) => {
    const wanted = (versionOf("hand") || { lufs: null }).lufs;
    const near = (one) => (one.lufs === null || wanted === null ? Infinity : Math.abs(one.lufs - wanted));
    return own.find(({ key }) => key === holds.get(mark)) || own.reduce((best, one) => (near(one) < near(best) ? one : best));
  };
  const choose = (key) => {
    if (blind.running() || !versionOf(key)) return;
    chosen = key;
    const kind = KINDS.find(([mark]) => key.startsWith(mark));
    if (kind) holds.set(kind[0], key);
    hear();
    find("heard-now").textContent = words();
  };
  const take = (slot) => {
    if (!blind.running()) {
      const one = slotted()[slot];
      if (!one) return;
      const again = one.mark && one.held.key === chosen; // the next of its kind
      choose(again ? one.all[(one.all.indexOf(one.held) + 1) % one.all.length].key : one.held.key);
      return;
    }
    blind.take(slot);
    find("heard-now").textContent = (blind.slots().find((one) => one.chosen) || { label: "" }).label;
  };
  const play = (at) => {
    if (at !== undefined) go(at);
    const one = blind.running() ? blind.heard() : heardOf(versionOf(chosen));
    if (!sound.playing() && one) sound.replace(one);
  };
  const pause = () => (sound.playing() ? sound.stop() : play());
  const go = (s) => {
    const at = Math.min(Math.max(0, s), Math.max(0, length - 0.1));
    const inside = (place) => frames(at) >= place.first && frames(at) < place.stop;
    if (blind.running()) {
      if (inside(blind.place())) hear(at);
      else blind.move(placeAt(at));
      return;
    }
    if (repeating && !inside(repeating)) {
      repeating = placeAt(at);
      repeat(repeating);
    }
    if (sound.playing()) hear(at);
    else sound.rest(at);
  };
  const toggleRepeat = () => {
    if (blind.running()) return;
    repeating = repeating ? false : placeAt(sound.position());
    repeat(repeating || null);
    hear();
  };

  // What the desk tells.
  const changed = (list) => {
    versions = list;
    blind.offer();
    if (!blind.running()) {
      if (!versionOf(chosen)) chosen = "mix";
      const wanted = heardOf(versionOf(chosen));
      const aimed = sound.aimed();
      if (sound.playing()) {
        if (aimed.key !== wanted.key || aimed.revision !== wanted.revision) hear();
        else if (aimed.gain_db !== wanted.gain_db) sound.level(wanted.gain_db, 0.1);
      }
    }
    show();
  };
  const turned = (place) => {
    if (blind.running()) blind.finish("A setting was turned, so this was ended.");
    const { start_s, stop_s, revision, gain_db } = place;
    const known = versionOf("hand");
    // A list that came with the same answer knows more.
    if (known && known.revision !== revision)
      versions = versions.map((one) => (one === known ? { ...one, revision, gain_db, exact: false } : one));
    if (!versionOf("hand")) return;
    const where = { first: frames(start_s), stop: frames(stop_s) };
    sound.grid(where.first);
    if (repeating) {
      repeating = where;
      sound.repeat(where);
    }
    chosen = "hand";
    if (sound.playing()) hear();
    else sound.first(heardOf(versionOf("hand")));
    show();
  };
  document.addEventListener("desk:place", (event) => turned(event.detail));
  document.addEventListener("desk:versions", (event) => changed(event.detail));

  // What the bar shows.
  const words = () => {
    const one = versionOf(chosen);
    const about = one.exact ? "" : ", about";
    const taken = !equal || equalDb(one) > -0.05 ? "" : `, ${decibels(-equalDb(one))} taken out`;
    return `${one.name}${about}${taken}`;
  };
  const slots = () =>
    blind.running()
      ? blind.slots()
      : slotted().map((one) => ({ label: one.name, chosen: one.held.key === chosen, all: one.mark ? one.all : [], held: one.held.key }));
  // After the pointer has pressed a button, space is for playing again; who goes by keyboard keeps the focus.
  const freed = (event) => event.detail > 0 && event.currentTarget.blur();
  // Along its row alone: to scroll the page for a button in a bar that is always seen would lose the reader's place.
  const bring = (button) => {
    const row = find("switches");
    const at = button.offsetLeft - row.offsetLeft;
    row.scrollLeft = Math.min(at, Math.max(row.scrollLeft, at + button.offsetWidth - row.clientWidth));
  };
  const drawSlots = () => {
    const box = find("switches");
    const list = slots();
    while (box.children.length > list.length) box.lastChild.remove();
    while (box.children.length < list.length) {
      const [place, button, choice] = ["span", "button", "select"].map((name) => document.createElement(name));
      const slot = box.children.length;
      button.type = "button";
      button.addEventListener("click", (event) => {
        freed(event);
        take(slot);
      });
      choice.hidden = true;
      choice.addEventListener("change", () => {
        choose(choice.value);
        choice.blur();
      });
      place.append(button, choice);
      box.append(place);
    }
    list.forEach((one, slot) => {
      const [button, choice] = box.children[slot].children;
      const label = `${slot + 1} ${one.label}`;
      const all = one.all || [];
      if (button.textContent !== label) button.textContent = label;
      choice.hidden = all.length === 0;
      const names = all.map(({ key, name }) => `${key} ${name}`).join();
      if (choice.dataset.names !== names) {
        choice.dataset.names = names;
        choice.setAttribute("aria-label", `which of ${one.label}`);
        choice.replaceChildren(...all.map(({ key, name }) => new Option(name, key)));
      }
      if (all.length && choice.value !== one.held) choice.value = one.held;
      if (button.getAttribute("aria-pressed") !== String(one.chosen)) {
        button.setAttribute("aria-pressed", String(one.chosen));
        if (one.chosen) bring(button);
      }
    });
  };
  const setText = (id, text) => find(id).textContent !== text && (find(id).textContent = text);
  const show = () => {
    const at = sound.position();
    setText("play", sound.playing() ? "pause" : "play");
    find("repeat").setAttribute("aria-pressed", String(Boolean(repeating) || blind.running()));
    find("repeat").disabled = blind.running();
    find("equal").disabled = blind.running();
    const waits = sound.waiting() ? ", waiting for sound" : "";
    setText("state", blind.running() ? `${clock(at)}${waits}` : `${clock(at)}, ${words()}${waits}`);
    if (document.activeElement !== find("where") || sound.playing()) find("where").value = at;
    find("where").setAttribute("aria-valuetext", clock(at));
    document.querySelectorAll(".head[data-step]").forEach((head) => {
      head.setAttribute("transform", `translate(${(at * Number(head.dataset.step)).toFixed(2)} 0)`);
    });
    const quietest = versions.find((one) => one.gain_db > -0.05) || versions[0];
    setText("equal-to", quietest.name === "mix" ? "the mix" : quietest.name);
    drawSlots();
  };

  // Level.
  const setEqual = (on) => {
    equal = on;
    find("equal").checked = on;
    find("equal-warning").hidden = true;
    if (!blind.running()) sound.level(heardOf(versionOf(chosen)).gain_db, 1);
    show();
  };
  find("equal").addEventListener("change", (event) => {
    if (event.target.checked) {
      setEqual(true);
      return;
    }
    event.target.checked = true; // until the warning was read
    const most = Math.max(...versions.map((one) => -equalDb(one)));
    find("equal-most").textContent = decibels(most);
    find("equal-warning").hidden = false;
    find("as-they-are").focus();
  });
  find("as-they-are").addEventListener("click", () => {
    setEqual(false);
    find("equal").focus();
  });
  find("leave-equal").addEventListener("click", () => {
    setEqual(true);
    find("equal").focus();
  });
  const setVolume = () => {
    const db = Number(find("volume").value);
    find("level").textContent = `${db} dB`;
    sound.volume(db);
  };
  find("volume").value = String(START_DB);
  find("volume").addEventListener("input", setVolume);
  setVolume();

  find("where").max = length;
  find("where").addEventListener("input", (event) => go(Number(event.target.value)));
  ["where", "volume"].forEach((id) => find(id).addEventListener("pointerup", (event) => event.currentTarget.blur()));
  [["play", pause], ["repeat", toggleRepeat]].forEach(([id, run]) =>
    find(id).addEventListener("click", (event) => {
      freed(event);
      run();
    }),
  );
  document.querySelectorAll("#trial button").forEach((one) => one.addEventListener("click", freed));

  // Times and pictures anywhere on the page play from there; buttons elsewhere may name a version.
  document.addEventListener("click", (event) => {
    const named = event.target.closest("[data-hear]");
    const time = event.target.closest("[data-time]");
    const held = event.target.closest("[data-from][data-to]");
    if (named) choose(named.dataset.hear);
    if (time) play(Number(time.dataset.time) - RUN_UP_S);
    else if (held) {
      const box = held.getBoundingClientRect();
      const [start, stop] = [Number(held.dataset.from), Number(held.dataset.to)];
      play(start + ((stop - start) * (event.clientX - box.left)) / box.width);
    } else if (named) play();
    const button = event.target.closest("button");
    if (button && event.detail > 0 && (named || time)) button.blur();
  });

  const KEYS = [
    ["space", "play and pause"],
    ["1 2 3 ...", "versions; once more: the next of a list"],
    ["left, right", "a second back and on"],
    ["r", "repeat this place"],
    ["f s n, a b", "answers while names are hidden"],
  ];
  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
    const { tagName, type, isContentEditable } = event.target;
    const knob = tagName === "INPUT" && (type === "number" || Boolean(event.target.closest(".field")));
    const typed = tagName === "TEXTAREA" || isContentEditable || (tagName === "INPUT" && !knob && !["range", "checkbox"].includes(type));
    if (typed || tagName === "SELECT") return;
    const presses = ["BUTTON", "SUMMARY", "A"].includes(tagName) || type === "checkbox";
    const digit = event.key === "0" ? 9 : Number(event.key) - 1;
    if (event.key === " ") {
      if (presses) return;
      if (!event.repeat) pause();
    } else if (knob || (type === "range" && event.key.startsWith("Arrow"))) return;
    else if (event.key.length === 1 && digit >= 0 && digit < slots().length) take(digit);
    else if (event.key === "ArrowLeft") go(sound.position() - 1);
    else if (event.key === "ArrowRight") go(sound.position() + 1);
    else if (event.key === "r" && !event.repeat) toggleRepeat();
    else if (blind.running() && !event.repeat && blind.key(event.key)) { /* answered */ }
    else return;
    event.preventDefault();
  });
  if (find("keys-list")) {
    find("keys-list").append(
      ...KEYS.map(([keys, does]) => {
        const row = document.createElement("div");
        const [term, told] = [document.createElement("dt"), document.createElement("dd")];
        const key = document.createElement("kbd");
        key.textContent = keys;
        term.append(key);
        told.textContent = does;
        row.append(term, told);
        return row;
      }),
    );
  }

  blind.offer();
  show();
  sound.first(heardOf(versionOf(chosen)));
  window.listen = {
    // For whoever turns a knob: the desk solves what repeats as long as the time is not at its very end.
    position: () => (repeating ? Math.min(sound.position(), repeating.stop / facts.rate_hz - END_S) : sound.position()),
    chosen: () => (blind.running() ? null : chosen),
    heard: () => (blind.running() ? null : { ...sound.aimed() }),
    heldS: sound.heldS,
    playing: sound.playing,
    choose,
    play,
    stop: sound.stop,
  };
  document.documentElement.dataset.listens = "yes";
})();
