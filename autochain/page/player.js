// The player's buttons, keys and choices, over what playback.js plays.
(() => {
  const START_DB = -20;
  const AHEAD_S = 12;
  const SLOTS = ["first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth"];
  const facts = JSON.parse(document.getElementById("sound").textContent);
  const sound = playback(facts);
  const names = facts.sounds.map((one) => one.name);
  const find = (id) => document.getElementById(id);
  let context = null;
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

  const length = facts.frames / facts.rate_hz;
  const whole = facts.folder !== null;
  const position = () => {
    if (!running) return from;
    const at = from + Math.max(0, context.currentTime - since);
    if (!loop) return Math.min(at, length);
    const span = loop.stop - loop.start;
    return at < loop.at + span ? at : loop.at + ((at - loop.at) % span);
  };
  const holds = (window, at) => at >= window.at && at < window.at + window.stop - window.start;
  const windowAt = (at) => {
    const found = facts.windows.find((window) => holds(window, at));
    if (found) return found;
    if (!whole) return facts.windows[facts.windows.length - 1];
    const start = Math.max(0, Math.min(at - 1.5, length - 5));
    return { start, at: start, stop: Math.min(length, start + 5) };
  };
  const mixTime = () => {
    const at = position();
    if (whole) return at;
    const window = windowAt(at);
    return window.start + Math.min(at - window.at, window.stop - window.start);
  };
  // Where several songs play, each has one window, and a time is one of its song.
  const placeOf = (time, song) => {
    if (whole) return time <= length ? time : null;
    const among = song === undefined ? facts.windows : facts.windows.slice(song, song + 1);
    const window = among.find((w) => time >= w.start && time <= w.stop);
    return window ? window.at + time - window.start : null;
  };
  const songs = find("songs");
  const clock = (s) => `${Math.floor(s / 60)}:${(Math.floor(s * 10) / 10 % 60).toFixed(1).padStart(4, "0")}`;

  let volume = null;
  let asked = 0;
  const prepare = () => {
    context = new AudioContext({ sampleRate: facts.rate_hz });
    volume = context.createGain();
    volume.gain.value = sound.linear(Number(find("volume").value));
    volume.connect(context.destination);
  };
  const stop = () => {
    asked += 1;
    if (!running) return;
    from = position();
    running.stop();
    running = null;
    show();
  };
  const frames = (s) => Math.round(s * facts.rate_hz);
  const fill = async (mine) => {
    try {
      await mine.fill(frames(context.currentTime + AHEAD_S));
    } catch (error) {
      if (running !== mine) return;
      const at = position();
      stop();
      if (error instanceof RangeError) play(at);
      else find("state").textContent = error.message;
    }
  };
  const play = async (at) => {
    if (!context) prepare();
    stop();
    document.dispatchEvent(new CustomEvent("plays", { detail: "versions" }));
    const mine = asked;
    if (at !== undefined) from = at;
    if (from >= length - 0.05) from = 0;
    const window = find("loop").checked ? windowAt(from) : null;
    const first = frames(from);
    find("state").textContent = "preparing";
    try {
      await context.resume();
      await sound.block(Math.floor(first / facts.block_frames));
    } catch (error) {
      find("state").textContent = error.message;
      return;
    }
    if (mine !== asked) return; // stopped, or asked for something else, meanwhile
    loop = window;
    const start = frames(context.currentTime + 0.04);
    since = start / facts.rate_hz;
    const ends = loop && [frames(loop.at), Math.min(facts.frames, frames(loop.at + loop.stop - loop.start))];
    running = sound.run(context, volume, chosen, first, ends, start);
    fill(running);
    show();
  };
  const tick = () => {
    if (!running) return;
    if (!loop && position() >= length) {
      stop();
      from = 0;
    } else fill(running);
    show();
  };
  const go = (seconds) => {
    const at = Math.min(length - 0.1, Math.max(0, position() + seconds));
    if (running) play(at);
    else {
      from = at;
      show();
    }
  };
  const goToSong = (number) => {
    const window = facts.windows[number];
    if (!window) return;
    if (running) play(window.at);
    else {
      from = window.at;
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

  const head = document.querySelector(".song .head");
  const buttons = () => [...find("versions").querySelectorAll("button")];
  const shown = () => (order ? order.map((_, k) => SLOTS[k]) : [...names, ...(facts.difference ? ["difference"] : [])]);
  const versionOf = (slot) => (order ? order[slot] : slot);
  const drawVersions = () => {
    find("versions").replaceChildren(
      ...shown().map((label, slot) => {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = `${slot + 1} ${label}`;
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
    find("state").textContent = `at ${clock(mixTime())}${songs ? "" : " of the mix"}`;
    if (songs) songs.value = String(facts.windows.indexOf(windowAt(position())));
    if (document.activeElement !== find("where") || running) find("where").value = position();
    if (head) head.style.transform = `translateX(${mixTime() * Number(head.dataset.step)}px)`;
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
    const song = songs ? { song: windowAt(position()).song } : {};
    choices.push({ ...song, mix_time_s: Number(mixTime().toFixed(2)), choice: names[chosen], hidden: true });
    find("revealed").textContent = `${choices.length} ${choices.length === 1 ? "choice" : "choices"} kept.`;
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
    if (volume) volume.gain.setTargetAtTime(sound.linear(Number(event.target.value)), context.currentTime, 0.02);
  });
  find("where").max = length;
  find("where").addEventListener("input", (event) => {
    const at = Math.min(Number(event.target.value), length - 0.1);
    if (running) play(at);
    else {
      from = at;
      show();
    }
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
  ["loop", "volume", "where"].forEach((id) => find(id).addEventListener("pointerup", (event) => event.currentTarget.blur()));
  // Times of the mix that the page holds can be pressed: in the text as buttons, in the picture where they stand.
  document.querySelectorAll("[data-time]").forEach((shown) => {
    const time = Number(shown.dataset.time);
    const song = shown.dataset.song === undefined ? undefined : Number(shown.dataset.song);
    if (placeOf(time, song) === null) {
      shown.removeAttribute("data-time");
      return;
    }
    let pressed = shown;
    if (shown.tagName === "SPAN") {
      pressed = document.createElement("button");
      pressed.type = "button";
      pressed.className = "time";
      pressed.dataset.time = shown.dataset.time;
      pressed.textContent = shown.textContent;
      pressed.setAttribute("aria-label", `play ${shown.textContent}`);
      shown.replaceWith(pressed);
    }
    pressed.addEventListener("click", (event) => {
      freed(event);
      play(placeOf(time, song));
    });
  });
  if (songs) {
    songs.replaceChildren(...facts.windows.map((window, number) => new Option(window.song, String(number))));
    songs.addEventListener("change", () => goToSong(Number(songs.value)));
  }
  document.querySelectorAll(".song [data-from]").forEach((held) => {
    held.addEventListener("click", (event) => {
      const box = held.getBoundingClientRect();
      const [start, stop] = [Number(held.dataset.from), Number(held.dataset.to)];
      play(placeOf(start + ((stop - start) * (event.clientX - box.left)) / box.width));
    });
  });
  document.addEventListener("plays", (event) => event.detail !== "versions" && stop());
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || ["INPUT", "SELECT"].includes(event.target.tagName)) return;
    const digit = Number(event.key) - 1;
    if (event.key === " " && !["BUTTON", "SUMMARY"].includes(event.target.tagName)) running ? stop() : play();
    else if (digit >= 0 && digit < shown().length) choose(versionOf(digit));
    else if (event.key === "ArrowLeft") go(-1);
    else if (event.key === "ArrowRight") go(1);
    else if (songs && event.key === "n") goToSong(Number(songs.value) + 1);
    else if (songs && event.key === "b") goToSong(Number(songs.value) - 1);
    else return;
    event.preventDefault();
  });
  setInterval(tick, 100);
  drawVersions();
  show();
  document.documentElement.dataset.ready = "yes";
  window.listening = { sound, facts, placeOf, position, mixTime, exported, play, stop, choose,
    state: () => ({ chosen, order, running: Boolean(running), names }) };
})();
