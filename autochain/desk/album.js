"use strict";
// The album's page: its order, its wishes, and what is heard across the gap between two songs.
(() => {
  const part = () => document.getElementById("album");
  const say = (words) => (document.getElementById("said").textContent = words);
  const linear = (db) => 10 ** (db / 20);
  const EDGE_S = 0.01;
  let context = null;
  let volume = null;
  let playing = null;

  const show = (told) =>
    Object.entries(told.fragments || {}).forEach(([id, html]) => {
      const focused = document.activeElement && document.activeElement.closest("[data-file]");
      const again = focused && [focused.dataset.file, document.activeElement.dataset.album, document.activeElement.name];
      document.getElementById(id).outerHTML = html;
      if (!again) return;
      const line = [...part().querySelectorAll("[data-file]")].find((one) => one.dataset.file === again[0]);
      const held = line && [...line.querySelectorAll("button, input")].find((one) => (again[1] ? one.dataset.album === again[1] : one.name === again[2]));
      // At an end the same button is off: its neighbour goes on with the keyboard.
      if (held) (held.disabled ? line.querySelector("button:not([disabled]):not(.album-handle)") : held).focus();
    });
  const act = async (asked) => {
    const answer = await fetch("/album/do", { method: "POST", body: JSON.stringify(asked) });
    const told = await answer.json();
    say(answer.ok ? "" : told.error);
    if (answer.ok) show(told);
  };
  const order = () => [...part().querySelectorAll("[data-file]")].map((one) => one.dataset.file);
  const moved = (file, to) => {
    const files = order().filter((one) => one !== file);
    files.splice(to, 0, file);
    act({ action: "order", files });
  };

  let asked = 0; // counts what was asked to be heard: only the latest is
  const stop = () => {
    asked += 1;
    if (!playing) return;
    const { source, gain, since, timer } = playing;
    playing = null;
    clearInterval(timer);
    if (context.currentTime < since) gain.disconnect(); // not begun yet: nothing of it is heard
    gain.gain.cancelScheduledValues(context.currentTime);
    gain.gain.setTargetAtTime(0, context.currentTime, 0.003);
    source.stop(context.currentTime + 0.03);
    document.getElementById("album-state").textContent = "";
  };
  const across = async (place) => {
    stop();
    const mine = asked;
    const answer = await fetch(`/album/gap/${place}`);
    if (mine !== asked) return;
    if (!answer.ok) {
      say((await answer.json()).error);
      return;
    }
    const [rate, channels] = [Number(answer.headers.get("x-rate")), Number(answer.headers.get("x-channels"))];
    const seam = Number(answer.headers.get("x-seam"));
    const words = new Float32Array(await answer.arrayBuffer());
    // At the rate of the files: nothing lies between two samples.
    if (!context || context.sampleRate !== rate) {
      if (context) context.close();
      context = new AudioContext({ sampleRate: rate });
      volume = context.createGain();
      volume.gain.value = linear(Number(document.getElementById("album-volume").value));
      volume.connect(context.destination);
    }
    await context.resume();
    if (mine !== asked) return;
    const buffer = context.createBuffer(channels, words.length / channels, rate);
    for (let c = 0; c < channels; c += 1) {
      const channel = buffer.getChannelData(c);
      for (let k = 0; k < channel.length; k += 1) channel[k] = words[k * channels + c];
    }
    const [source, gain] = [context.createBufferSource(), context.createGain()];
    source.buffer = buffer;
    source.connect(gain).connect(volume);
    const since = context.currentTime + 0.05;
    // Both ends lie in the middle of a song.
    const ends = since + buffer.duration;
    gain.gain.value = 0; // what is asked for at a time may come a sample late
    gain.gain.setValueAtTime(0, since);
    gain.gain.linearRampToValueAtTime(1, since + EDGE_S);
    gain.gain.setValueAtTime(1, ends - EDGE_S);
    gain.gain.linearRampToValueAtTime(0, ends);
    source.start(since);
    const told = () => {
      const to = seam - (context.currentTime - since);
      document.getElementById("album-state").textContent = to > 0 ? `next song in ${to.toFixed(1)} s` : `next song for ${(-to).toFixed(1)} s`;
    };
    playing = { source, gain, since, timer: setInterval(told, 100) };
    source.onended = () => mine === asked && stop();
  };

  document.addEventListener("click", (event) => {
    const wanted = event.target.dataset.album;
    const line = event.target.closest("[data-file]");
    const place = line ? order().indexOf(line.dataset.file) : 0;
    if (wanted === "up") moved(line.dataset.file, place - 1);
    else if (wanted === "down") moved(line.dataset.file, place + 1);
    else if (wanted === "across") across(Number(event.target.dataset.place));
    else if (wanted === "quiet") stop();
    else if (wanted) act({ action: wanted });
  });
  document.addEventListener("change", (event) => {
    const line = event.target.closest("[data-file]");
    const { name, type, checked, value } = event.target;
    if (!part() || !part().contains(event.target) || !name) return;
    const given = type === "checkbox" ? checked : type === "number" ? (value === "" ? null : Number(value)) : value;
    if (line) act({ action: "song", file: line.dataset.file, [name]: given });
    else act({ action: "wish", [name]: given });
  });
  document.addEventListener("submit", (event) => event.preventDefault());
  document.addEventListener("input", (event) => {
    if (event.target.id !== "album-volume") return;
    document.getElementById("album-level").textContent = `${event.target.value} dB`;
    if (volume) volume.gain.setTargetAtTime(linear(Number(event.target.value)), context.currentTime, 0.02);
  });
  let dragged = null;
  document.addEventListener("dragstart", (event) => {
    const line = event.target.closest && event.target.closest("[data-file]");
    if (!line) return;
    dragged = line.dataset.file;
    event.dataTransfer.effectAllowed = "move";
    event.dataTransfer.setData("text/plain", "");
  });
  document.addEventListener("dragover", (event) => {
    if (dragged !== null && event.target.closest("[data-file]")) event.preventDefault();
  });
  document.addEventListener("drop", (event) => {
    const line = event.target.closest && event.target.closest("[data-file]");
    if (dragged === null || !line) return;
    event.preventDefault();
    moved(dragged, order().indexOf(line.dataset.file));
    dragged = null;
  });
  document.addEventListener("dragend", () => (dragged = null));
  window.album = { across, stop, playing: () => Boolean(playing) };
})();
