// Films and curves moved by one slider. The slider's zero is an event of the swing (impact, say);
// where that is on each film stands in the page's data.
"use strict";
const filmSource = document.getElementById("film-data");
if (filmSource) {
  const data = JSON.parse(filmSource.textContent);
  const films = data.films
    .map((one, k) => ({ ...one, video: document.getElementById(`film-${k}`), at: document.getElementById(`film-at-${k}`) }))
    .filter((one) => one.video);
  const slider = document.getElementById("film-time");
  const shown = document.getElementById("film-time-at");
  const play = document.getElementById("film-play");
  const speed = document.getElementById("film-speed");
  const cursors = document.querySelectorAll("[data-cursor]");
  const form = document.getElementById("film-shown");
  const first = films[0];
  let follow = null;

  // A film that the browser can't play says so, instead of staying black.
  for (const film of films) {
    const wrong = film.video.parentElement.querySelector(".film-wrong");
    const tell = () => { if (wrong) wrong.hidden = false; };
    // With only the sound understood there is no error, but no picture either.
    const look = () => { if (film.video.videoWidth === 0) tell(); };
    film.video.addEventListener("error", tell);
    film.video.addEventListener("loadedmetadata", look);
    if (film.video.error) tell();
    if (film.video.readyState >= 1) look();
  }

  const words = (film) => { if (film.at) film.at.textContent = `${film.video.currentTime.toFixed(3)} s`; };

  // Marks and words for an instant; the films are where they are.
  const mark = (ms) => {
    if (!slider) return;
    slider.value = ms;
    const text = `${Math.round(ms)} ms`.replace("-", "−");
    shown.textContent = text;
    slider.setAttribute("aria-valuetext", text);
    for (const line of cursors) {
      const [x0, x1, low, high] = line.dataset.cursor.split(" ").map(Number);
      const x = x0 + ((ms - low) / (high - low)) * (x1 - x0);
      line.setAttribute("x1", x.toFixed(1));
      line.setAttribute("x2", x.toFixed(1));
      line.setAttribute("visibility", ms < low || ms > high ? "hidden" : "visible");
    }
  };

  // A seek that comes while another is going on waits for it: the last one wins.
  const seek = (film, to) => {
    const end = Number.isFinite(film.video.duration) ? film.video.duration : Infinity;
    film.wanted = Math.max(0, Math.min(to, end));
    if (film.seeking) return;
    film.seeking = true;
    const go = () => {
      const target = film.wanted;
      film.wanted = null;
      film.video.addEventListener("seeked", () => {
        words(film);
        if (film.wanted !== null) { go(); return; }
        film.seeking = false;
        // Somebody moved the film itself meanwhile: the curves follow.
        if (film === first && follow && Math.abs(film.video.currentTime - target) > 0.005) follow();
      }, { once: true });
      film.video.currentTime = target;
    };
    if (film.video.readyState >= 1) go();
    else film.video.addEventListener("loadedmetadata", go, { once: true });
  };

  const show = (ms) => {
    mark(ms);
    for (const film of films) if (film.zero_s !== null) seek(film, film.zero_s + ms / 1000);
  };

  const now = () => (first.video.currentTime - first.zero_s) * 1000;

  if (slider && first && first.zero_s !== null) {
    let running = null;
    const stop = () => {
      for (const film of films) film.video.pause();
      cancelAnimationFrame(running);
      running = null;
      play.textContent = "Play";
    };
    const step = () => {
      const ms = now();
      mark(ms);
      for (const film of films) {
        words(film);
        // Films of different phones drift apart: bring them together again.
        const off = film.video.currentTime - film.zero_s - ms / 1000;
        if (film !== first && Math.abs(off) > 0.05) film.video.currentTime = film.zero_s + ms / 1000;
      }
      if (ms >= Number(slider.max) || first.video.paused || first.video.ended) stop();
      else running = requestAnimationFrame(step);
    };
    const start = () => {
      for (const film of films) film.video.playbackRate = Number(speed.value);
      Promise.all(films.map((film) => film.video.play())).then(() => {
        play.textContent = "Pause";
        running = requestAnimationFrame(step);
      }).catch(stop);
    };
    play.addEventListener("click", () => {
      if (running !== null) { stop(); return; }
      if (now() >= Number(slider.max) - 1) {
        show(Number(slider.min));
        first.video.addEventListener("seeked", start, { once: true });
      } else start();
    });
    speed.addEventListener("change", () => {
      for (const film of films) film.video.playbackRate = Number(speed.value);
    });
    slider.addEventListener("input", () => { if (running !== null) stop(); show(Number(slider.value)); });
    for (const button of document.querySelectorAll("[data-step]")) {
      button.addEventListener("click", () => {
        if (running !== null) stop();
        const by = Number(button.dataset.step);
        show(by === 0 ? 0 : Number(slider.value) + by * data.frame_s * 1000);
      });
    }
    // The film's own buttons move the curves as well.
    follow = () => {
      words(first);
      if (running === null && !first.seeking) mark(now());
    };
    first.video.addEventListener("timeupdate", follow);
    first.video.addEventListener("seeked", follow);
    slider.step = "any";
    show(0);
  }
  if (form && first) {
    const field = form.querySelector("[name=shown_s]");
    const fill = () => { field.value = first.video.currentTime.toFixed(3); };
    first.video.addEventListener("seeked", fill);
    first.video.addEventListener("timeupdate", fill);
    if (!slider) first.video.addEventListener("timeupdate", () => words(first));
  }
}
