"use strict";
// What plays: one voice, made of blocks put one behind the other to the sample. Whatever is to be heard next, another
// version, a turned knob, another place, a loop, is another voice that takes over with a linear crossfade.
//
// Positions are frames of the song, moments frames of the context. Both run at the rate of the song, so that nothing
// ever lies between two samples.
const soundOf = (facts, told) => {
  const rate = facts.rate_hz;
  const frames = (s) => Math.round(s * rate);
  const FADE = frames(0.01);
  const NEEDED = frames(0.3); // of a version before it takes over
  const FILLED = frames(5); // put ahead of what is heard: a page in the background is seldom asked
  const DRY = frames(0.15); // so little left that nothing more can be counted on
  const READY = frames(1); // of the versions that are not heard
  const QUANTUM = 128; // of Web Audio: no two changes of a gain in the same
  const TICK_MS = 50;
  const MOST_READY = 10;
  const AGAIN_MS = [250, 500, 1000, 2000, 4000];
  const BLOCK = 200 * Math.round(rate / 100); // a place of 6 s is three
  const MOST_BLOCKS = Math.floor((60 * rate) / BLOCK);
  const linear = (db) => 10 ** (db / 20);

  let context = null;
  let volume = null;
  let volumeDb = -60;
  let ahead = 0.03; // s; what begins has to reach the audio thread before its moment
  let voice = null;
  let pending = null; // what is to be heard as soon as it is there
  let loop = null; // { first, stop }
  let origin = 0; // a frame where a block begins
  let rest = 0; // the position while nothing plays

  // Blocks, decoded: the latest minute of all that was asked for.
  const kept = new Map();
  const nameOf = (version, piece) => [version.key, version.revision, piece.first, piece.frames].join(" ");
  const fetched = async (version, piece) => {
    const asked = `revision=${version.revision}&first=${piece.first}&frames=${piece.frames}`;
    const answer = await fetch(`/song/${facts.song}/sound/${encodeURIComponent(version.key)}?${asked}`).catch(() => {
      throw new Error("The desk does not answer. If it was stopped, start it again and load this page from its address.");
    });
    if (!answer.ok) throw new Error((await answer.json().catch(() => ({}))).error || `The desk answered ${answer.status}.`);
    const words = new Float32Array(await answer.arrayBuffer());
    if (words.length !== piece.frames * facts.channels) throw new Error("The desk sent less sound than it was asked for.");
    const buffer = new AudioBuffer({ numberOfChannels: facts.channels, length: piece.frames, sampleRate: rate });
    for (let c = 0; c < facts.channels; c += 1) {
      const channel = buffer.getChannelData(c);
      for (let k = 0, at = c; k < piece.frames; k += 1, at += facts.channels) channel[k] = words[at];
    }
    return buffer;
  };
  const touched = (name) => {
    const held = kept.get(name);
    if (!held) return null;
    kept.delete(name);
    kept.set(name, held);
    return held;
  };
  const block = (version, piece) => {
    const name = nameOf(version, piece);
    const held = touched(name);
    if (held) return held.coming;
    const fresh = { buffer: null };
    fresh.coming = fetched(version, piece).then(
      (buffer) => (fresh.buffer = buffer),
      (error) => {
        if (kept.get(name) === fresh) kept.delete(name);
        throw error;
      },
    );
    kept.set(name, fresh);
    while (kept.size > MOST_BLOCKS) kept.delete(kept.keys().next().value);
    return fresh.coming;
  };
  const ready = (version, piece) => touched(nameOf(version, piece))?.buffer || null;

  // The block that holds a position, and all that a stretch from there on needs. Blocks are counted from the loop or
  // the place that was solved last, so that none lies across its ends.
  const pieceAt = (at, within) => {
    const [low, high] = within ? [within.first, within.stop] : [0, facts.frames];
    const start = within ? within.first : origin % BLOCK;
    const first = start + Math.floor((at - start) / BLOCK) * BLOCK;
    const from = Math.max(low, first);
    return { first: from, frames: Math.min(high, first + BLOCK) - from };
  };
  const piecesFrom = (at, within, count) => {
    const found = [];
    for (let left = count, from = at; left > 0; ) {
      const piece = pieceAt(from, within);
      found.push(piece);
      const end = piece.first + piece.frames;
      left -= end - from;
      if (!within && end >= facts.frames) break;
      from = within && end >= within.stop ? within.first : end;
      if (found.length > 1 && from === found[0].first) break;
    }
    return found;
  };
  const inside = (at, within) => {
    if (within) return at >= within.first && at < within.stop ? at : within.first;
    return Math.min(Math.max(0, at), facts.frames - 1);
  };

  const now = () => Math.round(context.currentTime * rate);
  const positionOf = (one, moment) => {
    const past = Math.max(0, Math.min(moment, one.filled) - one.since);
    if (!one.loop) return Math.min(one.from + past, facts.frames);
    const span = one.loop.stop - one.loop.first;
    return one.loop.first + ((one.from - one.loop.first + past) % span);
  };
  const position = () => {
    if (pending && pending.at !== undefined) return pending.at;
    return voice ? positionOf(voice, now()) : rest;
  };
  const soon = () => Math.max(now() + frames(ahead), voice ? voice.since + FADE + 2 * QUANTUM : 0);

  const put = (one, piece, buffer) => {
    const offset = one.next - piece.first;
    const count = piece.frames - offset;
    const source = context.createBufferSource();
    source.buffer = buffer;
    source.connect(one.edges);
    source.start(one.filled / rate, offset / rate, count / rate);
    one.sources.add(source);
    source.onended = () => {
      one.sources.delete(source);
      source.disconnect();
      if (one.over && one.sources.size === 0) one.fade.disconnect();
    };
    one.filled += count;
    one.next += count;
    if (one.loop && one.next >= one.loop.stop) {
      one.edges.gain.setValueAtTime(1, (one.filled - FADE) / rate);
      one.edges.gain.linearRampToValueAtTime(0, one.filled / rate);
      one.edges.gain.linearRampToValueAtTime(1, (one.filled + FADE) / rate);
      one.next = one.loop.first;
    }
    one.ended = !one.loop && one.next >= facts.frames;
  };
  const fades = (one, moment) => {
    one.over = true;
    // A voice that has run dry fades by itself; one that ended with the song has nothing left.
    if (!one.dry || moment < one.filled - FADE) {
      if (one.dry) one.fade.gain.cancelScheduledValues(moment / rate);
      one.fade.gain.setValueAtTime(1, moment / rate);
      one.fade.gain.linearRampToValueAtTime(0, (moment + FADE) / rate);
      one.sources.forEach((source) => source.stop((moment + FADE) / rate));
    }
    if (one.sources.size === 0) one.fade.disconnect();
  };
  const begin = (version, at) => {
    for (;;) {
      const moment = soon();
      const from = inside(at === undefined && voice ? positionOf(voice, moment) : at === undefined ? rest : at, loop);
      if (!piecesFrom(from, loop, NEEDED).every((piece) => ready(version, piece))) return false;
      const [edges, level, fade] = [context.createGain(), context.createGain(), context.createGain()];
      edges.connect(level);
      level.connect(fade);
      fade.connect(volume);
      level.gain.value = linear(version.gain_db);
      fade.gain.value = 0;
      fade.gain.setValueAtTime(0, moment / rate);
      fade.gain.linearRampToValueAtTime(1, (moment + FADE) / rate);
      const next = { version, edges, level, fade, loop, from, since: moment, next: from, filled: moment };
      Object.assign(next, { sources: new Set(), ended: false, dry: false, over: false });
      const into = loop ? from - loop.first : FADE;
      if (into < FADE) {
        // It takes over where the loop is just rising.
        edges.gain.setValueAtTime(into / FADE, moment / rate);
        edges.gain.linearRampToValueAtTime(1, (moment + FADE - into) / rate);
      }
      piecesFrom(from, loop, NEEDED).forEach((piece) => put(next, piece, ready(version, piece)));
      const before = voice;
      if (before) fades(before, moment);
      voice = next;
      pending = null;
      if (now() < moment || ahead >= 0.2) return true;
      // The machine was too busy, and it did not begin where it should: once more, with more time.
      ahead = Math.min(0.2, 2 * ahead);
      at = undefined;
    }
  };

  const open = () => {
    if (context) return;
    context = new AudioContext({ sampleRate: rate });
    volume = context.createGain();
    volume.gain.value = linear(volumeDb);
    volume.connect(context.destination);
  };
  const waited = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
  // Hear a version from a second of the song on, or where the song is now; the earlier sound goes on until it is there.
  const replace = async (version, atS) => {
    open();
    // A place that was asked for before, and is not heard yet, is still the one that is wanted.
    const going = pending && pending.at !== undefined ? pending.at : voice ? undefined : rest;
    const mine = { version, at: atS === undefined ? going : inside(frames(atS), null) };
    pending = mine;
    told.moved();
    if (context.state !== "running") await context.resume();
    for (let failed = 0; pending === mine; ) {
      if (begin(version, mine.at)) {
        told.failed("");
        told.moved();
        fill();
        return;
      }
      const from = inside(mine.at === undefined && voice ? positionOf(voice, soon()) : mine.at ?? rest, loop);
      try {
        await Promise.all(piecesFrom(from, loop, NEEDED).map((piece) => block(version, piece)));
      } catch (error) {
        if (pending !== mine) return;
        told.failed(error.message);
        await waited(AGAIN_MS[Math.min(failed, AGAIN_MS.length - 1)]);
        failed += 1;
      }
    }
  };
  const stop = () => {
    const at = position();
    pending = null;
    if (voice) fades(voice, soon());
    voice = null;
    rest = at >= facts.frames ? 0 : at;
    told.moved();
  };

  // Keeps the voice filled; and lets it end softly where what comes next is not there in time.
  const fill = () => {
    const one = voice;
    if (!one) return;
    while (!one.ended && !one.dry && one.filled < now() + FILLED) {
      const piece = pieceAt(one.next, one.loop);
      const buffer = ready(one.version, piece);
      if (!buffer) {
        ask(one, piece);
        break;
      }
      put(one, piece, buffer);
    }
    if (!one.ended && !one.dry && one.filled < now() + DRY) {
      one.dry = true;
      one.fade.gain.setValueAtTime(1, (one.filled - FADE) / rate);
      one.fade.gain.linearRampToValueAtTime(0, one.filled / rate);
    }
    if (!one.dry || pending || now() < one.filled) return;
    const missing = piecesFrom(one.next, one.loop, NEEDED).find((piece) => !ready(one.version, piece));
    if (missing) ask(one, missing);
    else if (begin(one.version, one.next)) told.failed("");
  };
  const ask = (one, piece) => {
    if (one.asking || performance.now() < (one.again || 0)) return;
    one.asking = true;
    block(one.version, piece)
      .then(
        () => {
          if (one.failed && voice === one) told.failed("");
          one.failed = 0;
        },
        (error) => {
          one.failed = (one.failed || 0) + 1;
          one.again = performance.now() + AGAIN_MS[Math.min(one.failed, AGAIN_MS.length) - 1];
          if (voice === one) told.failed(error.message);
        },
      )
      .finally(() => {
        one.asking = false;
        if (voice === one) fill();
      });
  };
  // While nothing else is to be done: what the other versions sound like here, so that a switch is at once.
  let preparing = false;
  const refused = new Map();
  const prepare = () => {
    if (preparing || !voice || pending || voice.asking) return;
    const at = inside(positionOf(voice, soon()), voice.loop);
    for (const version of told.others().slice(0, MOST_READY)) {
      if (performance.now() < (refused.get(version.key) || 0)) continue;
      const missing = piecesFrom(at, voice.loop, READY).find((piece) => !touched(nameOf(version, piece)));
      if (!missing) continue;
      preparing = true;
      block(version, missing)
        .catch(() => refused.set(version.key, performance.now() + 5000))
        .finally(() => {
          preparing = false;
          prepare();
        });
      return;
    }
  };
  setInterval(() => {
    if (!voice) return;
    if (voice.ended && now() >= voice.filled) {
      if (!pending) stop();
      return;
    }
    fill();
    prepare();
    told.moved();
  }, TICK_MS);

  return {
    replace,
    stop,
    playing: () => Boolean(voice || pending),
    waiting: () => Boolean(voice ? voice.dry : pending),
    aimed: () => (pending || voice || { version: null }).version,
    position: () => position() / rate,
    // Seconds of decoded sound, at most a minute.
    heldS: () => (kept.size * BLOCK) / rate,
    // Where play starts next.
    rest: (s) => {
      rest = inside(frames(s), null);
      told.moved();
    },
    // The loop and where blocks begin; heard from the next voice on.
    repeat: (within) => (loop = within),
    grid: (first) => (origin = first),
    // Another gain of what is heard, or is to be.
    level: (db, seconds) => {
      const one = pending || voice;
      if (!one) return;
      one.version.gain_db = db;
      if (one === voice) voice.level.gain.setTargetAtTime(linear(db), context.currentTime, seconds / 4);
    },
    volume: (db) => {
      volumeDb = db;
      if (volume) volume.gain.setTargetAtTime(linear(db), context.currentTime, 0.02);
    },
    // All of a stretch for some versions, asked for in the order given.
    whole: async (versions, within) => {
      const pieces = piecesFrom(within.first, within, within.stop - within.first);
      for (const piece of pieces) for (const version of versions) await block(version, piece);
    },
    first: (version) => Promise.all(piecesFrom(rest, loop, NEEDED).map((piece) => block(version, piece))).catch(() => {}),
  };
};
