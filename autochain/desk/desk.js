"use strict";
// What the pages do: actions to the server, and its answers into the page.
(() => {
  const find = (id) => document.getElementById(id);
  const facts = find("facts") && JSON.parse(find("facts").textContent);
  const sound = facts && soundOf(facts);
  let versions = facts ? facts.versions : [];
  let chosen = "mix";
  const say = (words) => (find("said").textContent = words);
  const show = (fragments) =>
    Object.entries(fragments || {}).forEach(([id, html]) => {
      if (find(id)) find(id).outerHTML = html;
    });
  const versionOf = (key) => versions.find((one) => one.key === key);
  const act = async (asked) => {
    const answer = await fetch(`/song/${facts.song}/do`, { method: "POST", body: JSON.stringify(asked) });
    const told = await answer.json();
    if (!answer.ok) {
      say(told.error);
      return;
    }
    show(told.fragments);
    if (told.versions) {
      versions = told.versions;
      drawVersions();
    }
    if (told.place && sound.playing()) {
      sound.repeat(told.place);
      await sound.replace(versionOf(chosen));
    }
  };
  const drawVersions = () =>
    find("versions").replaceChildren(
      ...versions.map((one, place) => {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = `${place + 1} ${one.name}`;
        button.setAttribute("aria-pressed", String(one.key === chosen));
        button.addEventListener("click", () => {
          chosen = one.key;
          drawVersions();
          if (sound.playing()) sound.replace(one);
        });
        return button;
      }),
    );
  if (facts) {
    find("play").addEventListener("click", () => (sound.playing() ? sound.stop() : sound.replace(versionOf(chosen))));
    document.addEventListener("change", (event) => {
      const parameter = event.target.dataset.parameter;
      if (!parameter) return;
      const stage = event.target.closest("[data-stage]").dataset.stage;
      act({ action: "turn", stage, parameter, value: event.target.value, at_s: sound.position() });
    });
    drawVersions();
  }
  const events = new EventSource("/events");
  events.addEventListener("message", (event) => {
    const told = JSON.parse(event.data);
    if (told.kind === "fragment" && (!told.song || (facts && facts.song === told.song))) show({ [told.id]: told.html });
    if (told.kind === "said") say(told.words);
    if (told.kind === "work") find("work").textContent = told.words && `${told.words} ${Math.round(100 * told.share)} %`;
    if (told.kind === "versions" && facts && facts.song === told.song) {
      versions = told.versions;
      drawVersions();
    }
  });
})();
