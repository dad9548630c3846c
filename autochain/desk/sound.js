"use strict";
// What plays: one voice at a time, replaced by another at the same place of the song.
const soundOf = (facts) => {
  const FADE_S = 0.01;
  const AHEAD_S = 0.05;
  const BLOCK_S = 6;
  const rate = facts.rate_hz;
  let context = null;
  let voice = null;
  let loop = null;
  const fetched = async (version, first, frames) => {
    const answer = await fetch(`/song/${facts.song}/sound/${encodeURIComponent(version.key)}?revision=${version.revision}&first=${first}&frames=${frames}`);
    if (!answer.ok) throw new Error((await answer.json()).error);
    const words = new Float32Array(await answer.arrayBuffer());
    const count = words.length / facts.channels;
    const buffer = context.createBuffer(facts.channels, count, rate);
    for (let c = 0; c < facts.channels; c += 1) {
      const channel = buffer.getChannelData(c);
      for (let k = 0, at = c; k < count; k += 1, at += facts.channels) channel[k] = words[at];
    }
    return buffer;
  };
  const positionOf = (one, when) => {
    const past = Math.max(0, when - one.since);
    if (!one.loop) return one.from + past;
    const span = one.loop.stop_s - one.loop.start_s;
    return one.loop.start_s + ((one.from - one.loop.start_s + past) % span);
  };
  const replace = async (version, at) => {
    if (!context) context = new AudioContext({ sampleRate: rate });
    await context.resume();
    const wanted = at === undefined && voice ? positionOf(voice, context.currentTime + 0.2) : at || 0;
    const place = loop || { start_s: wanted, stop_s: Math.min(wanted + BLOCK_S, facts.frames / rate) };
    const first = Math.round(place.start_s * rate);
    const buffer = await fetched(version, first, Math.round(place.stop_s * rate) - first);
    const gain = context.createGain();
    gain.gain.value = 0;
    gain.connect(context.destination);
    const source = context.createBufferSource();
    source.buffer = buffer;
    source.loop = Boolean(loop);
    source.connect(gain);
    const when = context.currentTime + AHEAD_S;
    const from = at === undefined && voice ? positionOf(voice, when) : place.start_s;
    source.start(when, from - place.start_s);
    gain.gain.setValueAtTime(0, when);
    gain.gain.linearRampToValueAtTime(10 ** (version.gain_db / 20), when + FADE_S);
    stop(when);
    voice = { source, gain, from, since: when, loop };
  };
  const stop = (when) => {
    if (!voice) return;
    const at = when || context.currentTime;
    voice.gain.gain.cancelScheduledValues(at);
    voice.gain.gain.setValueAtTime(voice.gain.gain.value, at);
    voice.gain.gain.linearRampToValueAtTime(0, at + FADE_S);
    voice.source.stop(at + FADE_S);
    voice = null;
  };
  return {
    replace,
    stop,
    repeat: (place) => (loop = place),
    playing: () => Boolean(voice),
    position: () => (voice ? positionOf(voice, context.currentTime) : 0),
  };
};
