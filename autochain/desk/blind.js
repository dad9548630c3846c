"use strict";
// Listening without names: pairs of which one is preferred, and X that is one of two. Nothing that the page shows, and
// no time that anything takes, tells which is which until the run has ended.
const blindOf = (facts, sound, page) => {
  const find = (id) => document.getElementById(id);
  let run = null;
  let sending = Promise.resolve();
  const below = (count) => crypto.getRandomValues(new Uint32Array(1))[0] % count;
  const shuffled = (list) => {
    const mixed = [...list];
    for (let k = mixed.length - 1; k > 0; k -= 1) {
      const other = below(k + 1);
      [mixed[k], mixed[other]] = [mixed[other], mixed[k]];
    }
    return mixed;
  };
  const versionOf = (key) => page.versions().find((one) => one.key === key);

  // Two of the same score and loudness are the same settings: between them there is nothing to choose.
  const alike = ([a, b]) => a && b && a.score !== null && a.score === b.score && a.lufs === b.lufs;
  const pairsOf = (keys) =>
    keys.flatMap((a, k) => keys.slice(k + 1).map((b) => [a, b])).filter((pair) => !alike(pair.map(versionOf)));

  // Loudness of the very frames that repeat: two versions that are equally loud as songs need not be so in a place.
  const measured = new Map();
  const loudness = async (version, place) => {
    const asked = `revision=${version.revision}&first=${place.first}&frames=${place.stop - place.first}`;
    const name = `${version.key} ${asked}`;
    if (!measured.has(name)) {
      const answer = await fetch(`/song/${facts.song}/loudness/${encodeURIComponent(version.key)}?${asked}`);
      const told = await answer.json();
      if (!answer.ok) throw new Error(told.error);
      measured.set(name, told.lufs);
    }
    return measured.get(name);
  };
  // Both as loud as the one that is quieter here when all are equally loud as songs.
  const equallyLoud = async (pair, place) => {
    const lufs = new Map();
    for (const one of shuffled(pair)) lufs.set(one.key, await loudness(one, place));
    const known = pair.every((one) => lufs.get(one.key) !== null);
    const level = Math.min(...pair.map((one) => lufs.get(one.key) + one.gain_db));
    return pair.map((one) => ({ ...one, gain_db: known ? level - lufs.get(one.key) : one.gain_db }));
  };
  // The trial's sounds at a place, all there before any is heard.
  const prepare = async (place) => {
    const mine = run;
    const asked = (mine.asked = (mine.asked || 0) + 1); // only the latest is taken up
    const current = () => run === mine && mine.asked === asked;
    const pair = mine.keys.map(versionOf);
    if (!pair.every(Boolean)) {
      finish("A version is not there any more, so this was ended.");
      return;
    }
    mine.ready = false;
    draw();
    try {
      const loud = await equallyLoud(pair, place);
      await sound.whole(shuffled(loud), place);
      if (!current()) return;
      mine.pair = loud.map(({ key, revision, gain_db }) => ({ key, revision, gain_db }));
      mine.place = place;
      mine.ready = true;
      page.say("");
      sound.repeat(place);
      take(mine.slot);
    } catch (error) {
      if (!current()) return;
      page.say(error.message);
      setTimeout(() => current() && prepare(place), 1000);
    }
  };
  const versionIn = (slot) => run.pair[slot === 2 ? run.x : slot];
  const take = (slot) => {
    if (!run || slot >= labels().length) return;
    run.slot = slot;
    if (run.ready) {
      run.listened.add(slot);
      sound.replace({ ...versionIn(slot) });
    }
    draw();
  };
  const labels = () => (run.kind === "abx" ? ["A", "B", "X"] : ["first", "second"]);

  const next = () => {
    if (run.kind === "pairs") {
      if (run.queue.length === 0) run.queue = shuffled(pairsOf(run.all));
      if (run.queue.length === 0) {
        finish("No two of the versions differ any more, so this was ended.");
        return;
      }
      run.keys = shuffled(run.queue.pop());
    }
    run.x = below(2);
    run.slot = 0;
    run.listened = new Set();
    prepare(run.place);
  };
  const begin = (made) => {
    run = { answers: [], queue: [], ready: false, slot: 0, listened: new Set(), ...made, place: page.placeAt(sound.position()) };
    document.documentElement.dataset.hiddenNames = "";
    find("blind-result").textContent = "";
    page.changed();
    next();
  };
  const answer = (which) => {
    if (!run || !run.ready || run.listened.size < labels().length) return;
    const at_s = Number(sound.position().toFixed(2));
    if (run.kind === "abx") {
      run.answers.push(run.x === which);
      if (run.answers.length === run.planned) finish("");
      else next();
      return;
    }
    const [first, second] = run.keys;
    const given = { keys: run.keys, chosen: run.keys[which] };
    run.answers.push(given);
    if (which !== undefined) {
      // One after the other, so that they are kept in their order.
      given.kept = sending = sending.then(() => page.tell({ action: "choose", first, second, chosen: given.chosen, at_s }));
    }
    next();
  };
  const finish = async (words) => {
    if (!run) return;
    const ended = run;
    run = null;
    delete document.documentElement.dataset.hiddenNames;
    const names = new Map(page.versions().map((one) => [one.key, one.name]));
    const nameOf = (key) => names.get(key) || "a version that is gone";
    draw();
    page.ended();
    const tell = (text) => (find("blind-result").textContent = [words, text].filter(Boolean).join(" "));
    if (ended.answers.length === 0) {
      tell("Ended before the first answer.");
      return;
    }
    if (ended.kind === "pairs") {
      const tally = ended.all.flatMap((key) => {
        const with_ = ended.answers.filter((one) => one.keys.includes(key));
        return with_.length ? [`${nameOf(key)} ${with_.filter((one) => one.chosen === key).length} of ${with_.length}`] : [];
      });
      const chosen = ended.answers.filter((one) => one.chosen);
      const kept = (await Promise.all(chosen.map((one) => one.kept))).filter((one) => one && one.kept).length;
      const less = kept < chosen.length ? " A choice tells something where it is known of both what they cost, and that differs." : "";
      tell(`Preferred: ${tally.join(", ")}. Kept: ${kept} of ${chosen.length}.${less}`);
      if (kept) page.tell({ action: "told" });
      return;
    }
    const [first, second] = ended.keys;
    const right = ended.answers.filter(Boolean).length;
    const of = ended.answers.length;
    const was = `A was ${nameOf(first)}, B was ${nameOf(second)}.`;
    tell(`${right} of ${of} right. ${was}`);
    const told = await page.tell({ action: "abx", planned: ended.planned, right, of });
    if (told && told.words) tell(`${told.words} ${was}`);
  };

  const draw = () => {
    const abx = Boolean(run) && run.kind === "abx";
    find("trial").hidden = !run;
    find("blind-setup").hidden = Boolean(run);
    if (run) {
      const count = run.answers.length + 1;
      const open = run.ready && run.listened.size === labels().length;
      find("asked").textContent = !run.ready
        ? "preparing"
        : abx
          ? `Round ${count} of ${run.planned}: is X A or B?`
          : `Pair ${count}: which do you prefer?`;
      document.querySelectorAll("#trial [data-answer]").forEach((button) => {
        button.hidden = (button.dataset.kind === "abx") !== abx;
        button.disabled = !open;
      });
    }
    page.changed();
  };

  // Who takes part.
  const offered = () => page.versions().filter((one) => one.key !== "best");
  const offer = () => {
    const was = new Map([...find("blind-who").querySelectorAll("[data-set]")].map((one) => [one.value, one.checked]));
    const same = (list) => list.map((one) => one.key + one.name + (one.score === null)).join();
    if (offer.drawn === same(offered())) return;
    offer.drawn = same(offered());
    find("blind-who").replaceChildren(
      ...offered().map((one) => {
        const label = document.createElement("label");
        const box = document.createElement("input");
        Object.assign(box, { type: "checkbox", value: one.key, checked: was.get(one.key) ?? (one.score !== null && !one.key.startsWith("point.")) });
        if (was.has(one.key)) box.dataset.set = "yes";
        box.addEventListener("change", () => (box.dataset.set = "yes"));
        label.append(box, ` ${one.name}`);
        return label;
      }),
    );
    ["abx-first", "abx-second"].forEach((id, place) => {
      const chosen = find(id).value;
      find(id).replaceChildren(...offered().map((one) => new Option(one.name, one.key)));
      find(id).value = offered().some((one) => one.key === chosen) ? chosen : (offered()[place] || { key: "" }).key;
    });
  };
  find("pairs").addEventListener("click", () => {
    const all = [...find("blind-who").querySelectorAll("input:checked")].map((one) => one.value);
    if (pairsOf(all).length === 0) find("blind-result").textContent = "Tick two versions at least that are not the same.";
    else begin({ kind: "pairs", all });
  });
  find("abx").addEventListener("click", () => {
    const keys = [find("abx-first").value, find("abx-second").value];
    if (keys[0] === keys[1]) find("blind-result").textContent = "Choose two versions that are not the same.";
    else begin({ kind: "abx", keys: shuffled(keys), planned: Number(find("abx-planned").value) });
  });
  document.querySelectorAll("#trial [data-answer]").forEach((button) =>
    button.addEventListener("click", () => answer(button.dataset.answer === "none" ? undefined : Number(button.dataset.answer))),
  );
  find("end").addEventListener("click", () => finish(""));
  find("blind-result").addEventListener("click", () => (find("blind-result").textContent = ""));

  return {
    running: () => Boolean(run),
    slots: () => labels().map((label, slot) => ({ label, chosen: slot === run.slot })),
    take,
    // Listen somewhere else: both have to be there first.
    move: (place) => prepare(place),
    place: () => run.place,
    offer,
    finish,
    // What plays when it was paused.
    heard: () => (run.ready ? { ...versionIn(run.slot) } : null),
    key: (letter) => {
      const button = [...document.querySelectorAll("#trial [data-answer]")].find((one) => one.dataset.key === letter && !one.hidden);
      if (button) button.click();
      return Boolean(button);
    },
  };
};
