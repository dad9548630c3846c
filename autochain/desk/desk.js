"use strict";
// What the pages do: actions to the server, and its answers into the page. What plays hears of both by events.
(() => {
  const find = (id) => document.getElementById(id);
  const facts = find("facts") && JSON.parse(find("facts").textContent);
  const say = (words) => (find("said").textContent = words);
  const send = (kind, detail) => document.dispatchEvent(new CustomEvent(`desk:${kind}`, { detail }));
  const show = (fragments) =>
    Object.entries(fragments || {}).forEach(([id, html]) => {
      if (find(id)) find(id).outerHTML = html;
    });
  const act = async (asked) => {
    const answer = await fetch(`/song/${facts.song}/do`, { method: "POST", body: JSON.stringify(asked) });
    const told = await answer.json();
    if (!answer.ok) {
      say(told.error);
      return null;
    }
    show(told.fragments);
    if (told.versions) send("versions", told.versions);
    if (told.place) send("place", told.place);
    return told;
  };
  window.desk = { act, facts };
  if (facts)
    document.addEventListener("change", (event) => {
      const parameter = event.target.dataset.parameter;
      if (!parameter) return;
      const stage = event.target.closest("[data-stage]").dataset.stage;
      act({ action: "turn", stage, parameter, value: event.target.value, at_s: window.listen.position() });
    });
  const events = new EventSource("/events");
  events.addEventListener("message", (event) => {
    const told = JSON.parse(event.data);
    if (told.kind === "fragment" && (!told.song || (facts && facts.song === told.song))) show({ [told.id]: told.html });
    if (told.kind === "said") say(told.words);
    if (told.kind === "work") find("work").textContent = told.words && `${told.words} ${Math.round(100 * told.share)} %`;
    if (told.kind === "versions" && facts && facts.song === told.song) send("versions", told.versions);
  });
})();
