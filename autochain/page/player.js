"use strict";
// Plays the versions of the song side by side: all run from one start, and a switch only moves their gains.
(() => {
  const SWITCH_S = 0.01;
  const DIFFERENCE_DB = -12;
  const START_DB = -20;
  const SLOTS = ["first", "second", "third", "fourth"];
  const facts = JSON.parse(document.getElementById("sound").textContent);
  const names = facts.sounds.map((sound) => sound.name);
  const find = (id) => document.getElementById(id);
  const linear = (db) => 10 ** (db / 20);
  let context = null;
  let buffers = null;
  let running = null;
  let from = 0;
  let since = 0;
  let chosen = 0;
  let loop = null;
  let order = null;
  const kept = `listening-${facts.sheet}`;
  let choices = [];
  try {
    const earlier = JSON.parse(localStorage.getItem(kept));
    if (Array.isArray(earlier)) choices = earlier;
  } catch {
    // No storage, or not ours: begin with none.
  }

  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer;
  const decoded = (where) => Promise.all(facts.sounds.map((sound) => where.decodeAudioData(bytes(sound.flac))));

  // Gain of every version for a choice: one alone, or the suggestion less the mix.
  const gains = (which) =>
    which < names.length
      ? names.map((_, k) => (k === which ? 1 : 0))
      : names.map((_, k) => (k === 0 ? -linear(DIFFERENCE_DB) : k === 1 ? linear(DIFFERENCE_DB) : 0));

  // Sources and gains in any context, so that what is heard can also be rendered and measured.
  const connect = (where, sounds, target, which, window) => {
    const wanted = gains(which);
    const parts = sounds.map((buffer, k) => {
      const source = where.createBufferSource();
      const gain = where.createGain();
      source.buffer = buffer;
      if (window) {
        source.loop = true;
        source.loopStart = window.at;
        source.loopEnd = window.at + window.stop - window.start;
      }
      gain.gain.value = wanted[k];
      source.connect(gain).connect(target);
      return { source, gain };
    });
    return {
      parts,
      start: (when, offset) => parts.forEach((part) => part.source.start(when, offset)),
      stop: () => parts.forEach((part) => part.source.stop()),
      change: (next, when) => {
        const now = gains(next);
        parts.forEach((part, k) => {
          part.gain.gain.cancelScheduledValues(when);
          part.gain.gain.setValueAtTime(part.gain.gain.value, when);
          part.gain.gain.linearRampToValueAtTime(now[k], when + SWITCH_S);
        });
      },
    };
  };

  const length = () => facts.windows.reduce((sum, w) => Math.max(sum, w.at + w.stop - w.start), 0);
  const position = () => {
    if (!running) return from;
    const at = from + Math.max(0, context.currentTime - since);
    if (!loop) return Math.min(at, length());
    const span = loop.stop - loop.start;
    return at < loop.at + span ? at : loop.at + ((at - loop.at) % span);
  };
  const windowAt = (at) =>
    facts.windows.find((w) => at >= w.at && at < w.at + w.stop - w.start) || facts.windows[facts.windows.length - 1];
  const mixTime = () => {
    const at = position();
    const window = windowAt(at);
    return window.start + Math.min(at - window.at, window.stop - window.start);
  };
  const placeOf = (time) => {
    const window = facts.windows.find((w) => time >= w.start && time <= w.stop);
    return window ? window.at + time - window.start : null;
  };
  const clock = (s) => `${Math.floor(s / 60)}:${(Math.floor(s * 10) / 10 % 60).toFixed(1).padStart(4, "0")}`;

  let volume = null;
  let preparing = null;
  const ready = () => (preparing ||= prepare());
  const prepare = async () => {
    find("state").textContent = "preparing";
    context = new AudioContext({ sampleRate: facts.rate_hz });
    volume = context.createGain();
    volume.gain.value = linear(Number(find("volume").value));
    volume.connect(context.destination);
    buffers = await decoded(context);
  };
  const stop = () => {
    if (!running) return;
    from = position();
    running.stop();
    running = null;
    show();
  };
  const play = async (at) => {
    await ready();
    await context.resume();
    if (running) {
      running.stop();
      running = null;
    }
    from = at === undefined ? from : at;
    if (from >= length() - 0.05) from = 0;
    const window = find("loop").checked ? windowAt(from) : null;
    loop = window;
    running = connect(context, buffers, volume, chosen, window);
    since = context.currentTime + 0.02;
    running.start(since, from);
    const mine = running;
    mine.parts[0].source.onended = () => {
      if (running !== mine) return;
      running = null;
      from = 0;
      show();
    };
    show();
  };
  const go = (seconds) => {
    const at = Math.min(length() - 0.1, Math.max(0, position() + seconds));
    if (running) play(at);
    else {
      from = at;
      show();
    }
  };
  const choose = (which) => {
    chosen = which;
    if (running) running.change(which, context.currentTime);
    show();
  };

  // After the pointer has pressed a button, space is for playing again; who goes by keyboard keeps the focus.
  const freed = (event) => event.detail > 0 && event.currentTarget.blur();

  const buttons = () => [...find("versions").querySelectorAll("button")];
  const shown = () => (order ? order.map((_, k) => SLOTS[k]) : [...names, "difference"]);
  const versionOf = (slot) => (order ? order[slot] : slot);
  const drawVersions = () => {
    find("versions").replaceChildren(
      ...shown().map((label, slot) => {
        const button = document.createElement("button");
        button.type = "button";
        const text = label === "difference" ? "suggestion less mix" : label;
        button.textContent = `${slot + 1} ${text}`;
        button.addEventListener("click", (event) => {
          freed(event);
          choose(versionOf(slot));
        });
        return button;
      }),
    );
  };
  const show = () => {
    buttons().forEach((button, slot) => button.setAttribute("aria-pressed", String(versionOf(slot) === chosen)));
    find("play").textContent = running ? "pause" : "play";
    find("state").textContent = `at ${clock(mixTime())} of the mix`;
    find("where").value = position() / length();
    find("hidden").hidden = !order;
    find("note").hidden = chosen < names.length;
  };

  const shuffle = (count) => {
    const places = [...Array(count).keys()];
    for (let k = count - 1; k > 0; k -= 1) {
      const other = crypto.getRandomValues(new Uint32Array(1))[0] % (k + 1);
      [places[k], places[other]] = [places[other], places[k]];
    }
    return places;
  };
  const remember = () => {
    try {
      localStorage.setItem(kept, JSON.stringify(choices));
    } catch {
      // A page opened from disk may have no storage: the choices stay until it is closed.
    }
  };
  const hide = () => {
    if (order) return;
    order = shuffle(names.length);
    chosen = order[0];
    find("revealed").textContent = "";
    drawVersions();
    choose(chosen);
  };
  const reveal = () => {
    if (!order) return;
    const told = order.map((version, slot) => `${SLOTS[slot]} was ${names[version]}`).join(", ");
    const tally = names.map((name) => `${name} ${choices.filter((c) => c.choice === name).length}`).join(", ");
    find("revealed").textContent = `${told}. Chosen so far: ${tally}.`;
    order = null;
    drawVersions();
    show();
  };
  const prefer = () => {
    if (!order) return;
    choices.push({ mix_time_s: Number(mixTime().toFixed(2)), choice: names[chosen], hidden: true });
    find("revealed").textContent = `${choices.length} choices kept.`;
    remember();
  };
  const exported = () => JSON.stringify({ format_version: 1, mix_sha256: facts.sha256, sheet_sha256: facts.sheet, names, choices }, null, 2);
  const save = () => {
    const link = document.createElement("a");
    link.download = facts.choices_file;
    link.href = `data:application/json;charset=utf-8,${encodeURIComponent(exported())}`;
    link.click();
  };

  find("volume").value = String(START_DB);
  find("volume").addEventListener("input", (event) => {
    find("level").textContent = `${event.target.value} dB`;
    if (volume) volume.gain.setTargetAtTime(linear(Number(event.target.value)), context.currentTime, 0.02);
  });
  find("play").addEventListener("click", (event) => {
    freed(event);
    if (running) stop();
    else play();
  });
  find("loop").addEventListener("change", () => running && play(position()));
  find("hide").addEventListener("click", hide);
  find("reveal").addEventListener("click", reveal);
  find("prefer").addEventListener("click", prefer);
  find("save").addEventListener("click", save);
  ["hide", "reveal", "prefer", "save"].forEach((id) => find(id).addEventListener("click", freed));
  ["loop", "volume"].forEach((id) => find(id).addEventListener("pointerup", (event) => event.currentTarget.blur()));
  document.querySelectorAll("button[data-time]").forEach((button) => {
    const at = placeOf(Number(button.dataset.time));
    if (at === null) {
      button.disabled = true;
      button.title = "not among the page's excerpts: listen in the song";
      return;
    }
    button.addEventListener("click", (event) => {
      freed(event);
      play(placeOf(Number(button.dataset.time)));
    });
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.tagName === "INPUT") return;
    const digit = Number(event.key) - 1;
    if (event.key === " " && event.target.tagName !== "BUTTON") running ? stop() : play();
    else if (digit >= 0 && digit < shown().length) choose(versionOf(digit));
    else if (event.key === "ArrowLeft") go(-1);
    else if (event.key === "ArrowRight") go(1);
    else return;
    event.preventDefault();
  });
  setInterval(() => running && show(), 100);
  drawVersions();
  show();
  document.documentElement.dataset.ready = "yes";
  window.listening = { connect, decoded, facts, gains, placeOf, position, mixTime, exported, play, stop, choose,
    state: () => ({ chosen, order, running: Boolean(running), names }) };
})();
