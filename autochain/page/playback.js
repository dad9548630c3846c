"use strict";
// The sound of the page: blocks of all versions, put one behind the other to the sample, heard through gains.
const playback = (facts) => {
  const SWITCH_S = 0.01;
  const EDGE_S = 0.01;
  const DIFFERENCE_DB = -12;
  const KEPT_BLOCKS = 4;
  const rate = facts.rate_hz;
  const versions = facts.sounds.length;
  const linear = (db) => 10 ** (db / 20);

  // Gain of every version for a choice: one alone, or the suggestion less the mix.
  const gains = (which) =>
    Array.from({ length: versions }, (_, k) => {
      if (which < versions) return k === which ? 1 : 0;
      return k === 0 ? -linear(DIFFERENCE_DB) : k === 1 ? linear(DIFFERENCE_DB) : 0;
    });

  // Blocks beside the page are scripts that call this; see beside.py.
  const arrived = new Map();
  if (facts.folder !== null) {
    window.takeSound = (sheet, number, flacs) => {
      if (sheet === facts.sheet) arrived.set(number, flacs);
    };
  }
  const fetched = (number) =>
    new Promise((resolve, reject) => {
      const script = document.createElement("script");
      const done = () => {
        script.remove();
        const flacs = arrived.get(number);
        arrived.delete(number);
        if (flacs) resolve(flacs);
        else reject(new Error(`its sound is not beside the page: keep the folder ${facts.folder} of the same run there`));
      };
      script.addEventListener("load", done);
      script.addEventListener("error", done);
      script.src = `${facts.folder}/${String(number).padStart(4, "0")}.js`;
      document.head.append(script);
    });
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer;
  // Decoded at its own rate, whatever the loudspeakers run at.
  const decoder = new OfflineAudioContext(1, 1, rate);
  const decode = async (number) => {
    const flacs = facts.folder === null ? facts.flac : await fetched(number);
    return Promise.all(flacs.map((flac) => decoder.decodeAudioData(bytes(flac))));
  };
  const kept = new Map();
  const block = (number) => {
    const found = kept.get(number) || decode(number);
    kept.delete(number);
    kept.set(number, found);
    found.catch(() => kept.delete(number));
    // A minute of four decoded versions takes 90 MB: only what is played now and next stays.
    if (kept.size > KEPT_BLOCKS) kept.delete(kept.keys().next().value);
    return found;
  };

  // What to play from a frame on: parts of blocks, for ever inside a loop. Soft where a loop starts over.
  function* pieces(at, loop) {
    const [first, stop] = loop || [0, facts.frames];
    for (let from = at; from < stop; ) {
      const number = Math.floor(from / facts.block_frames);
      const end = Math.min(stop, (number + 1) * facts.block_frames);
      yield { number, offset: from - number * facts.block_frames, frames: end - from, seam: Boolean(loop) && end === stop };
      from = loop && end === stop ? first : end;
    }
  }

  // Gains in any context, so that what is heard can also be rendered and measured. Times are frames of the context.
  const connect = (where, target, which) => {
    const edges = where.createGain();
    edges.connect(target);
    const wanted = gains(which);
    const parts = wanted.map((value) => {
      const gain = where.createGain();
      gain.gain.value = value;
      gain.connect(edges);
      return gain;
    });
    const playing = new Set();
    return {
      begin: (frame) => {
        edges.gain.setValueAtTime(0, frame / rate);
        edges.gain.linearRampToValueAtTime(1, frame / rate + EDGE_S);
      },
      add: (piece, buffers, frame) => {
        buffers.forEach((buffer, k) => {
          const source = where.createBufferSource();
          source.buffer = buffer;
          source.connect(parts[k]);
          source.start(frame / rate, piece.offset / rate, piece.frames / rate);
          playing.add(source);
          source.onended = () => playing.delete(source);
        });
        if (!piece.seam) return;
        const seam = (frame + piece.frames) / rate;
        edges.gain.setValueAtTime(1, seam - EDGE_S);
        edges.gain.linearRampToValueAtTime(0, seam);
        edges.gain.linearRampToValueAtTime(1, seam + EDGE_S);
      },
      change: (next, when) => {
        const now = gains(next);
        parts.forEach((part, k) => {
          part.gain.cancelScheduledValues(when);
          part.gain.setValueAtTime(part.gain.value, when);
          part.gain.linearRampToValueAtTime(now[k], when + SWITCH_S);
        });
      },
      stop: () => {
        const when = where.currentTime;
        const value = edges.gain.value;
        edges.gain.cancelScheduledValues(when);
        edges.gain.setValueAtTime(value, when);
        edges.gain.linearRampToValueAtTime(0, when + EDGE_S);
        playing.forEach((source) => source.stop(when + EDGE_S));
      },
    };
  };

  // One run from a frame on: `fill` puts pieces in until a frame of the context is reached.
  const run = (where, target, which, at, loop, start) => {
    const net = connect(where, target, which);
    const waiting = pieces(at, loop);
    let frame = start;
    let stopped = false;
    let filling = null;
    const put = async (until) => {
      while (frame < until && !stopped) {
        const { value: piece } = waiting.next();
        if (!piece) return;
        const buffers = await block(piece.number);
        if (stopped) return;
        // Too late for its place in time: say so, and let the player start again from there.
        if (frame < where.currentTime * rate) throw new RangeError("late");
        net.add(piece, buffers, frame);
        frame += piece.frames;
      }
    };
    net.begin(start);
    return {
      change: net.change,
      fill: (until) => (filling ||= put(until).finally(() => (filling = null))),
      stop: () => {
        stopped = true;
        net.stop();
      },
    };
  };

  return { block, gains, linear, pieces, run };
};
