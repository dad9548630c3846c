// Places of findings: one button each, one of them playing at a time.
(() => {
  "use strict";
  const store = document.getElementById("extracts");
  if (!store) return;
  const buttons = [...document.querySelectorAll("button[data-extract]")];
  const audio = new Audio();
  let flacs = null;
  let playing = null;
  const show = (button) => {
    playing = button;
    buttons.forEach((one) => one.setAttribute("aria-pressed", String(one === button)));
  };
  const stop = () => {
    audio.pause();
    show(null);
  };
  const play = async (button) => {
    flacs ||= JSON.parse(store.textContent);
    document.dispatchEvent(new CustomEvent("plays", { detail: "extract" }));
    audio.src = `data:audio/flac;base64,${flacs[button.dataset.extract]}`;
    show(button);
    try {
      await audio.play();
    } catch {
      if (playing === button) stop(); // asked for another one meanwhile, or not to be played
    }
  };
  buttons.forEach((button) =>
    button.addEventListener("click", () => (playing === button ? stop() : play(button))),
  );
  // A picture of a place plays it as its button does; one of all places, the first of them.
  document.querySelectorAll(".found figure svg").forEach((picture) => {
    const places = picture.closest("figure").querySelector("button[data-extract]")
      || picture.closest(".found").querySelector("button[data-extract]");
    if (!places) return;
    picture.dataset.plays = "yes";
    picture.addEventListener("click", () => places.click());
  });
  audio.addEventListener("ended", stop);
  document.addEventListener("plays", (event) => event.detail !== "extract" && stop());
  document.documentElement.dataset.extracts = "yes";
  window.extracts = { audio, stop, playing: () => playing && playing.dataset.extract };
})();
