// The range screen follows what goes on, and hands on what is tapped. Without it the screen works
// too, by loading it again. Nothing here is needed by the recording: it goes on by itself.
"use strict";
const root = document.getElementById("range");
const line = document.getElementById("line");
const said = document.getElementById("said");
const QUIET_MS = 12000; // three signs of life that didn't come: the line is dead
const KEPT = "unhurried-taps";
const RUNNING = ["starting", "going", "ending"];

const tell = (text, wrong = false) => {
  said.textContent = text;
  said.className = wrong ? "said caution" : "said";
};

// -- what goes on -----------------------------------------------------------------------------
let source = null;
let heard = 0;
let since = null;

const show = (message) => {
  for (const [name, html] of Object.entries(message.parts)) {
    const part = root.querySelector(`[data-part="${name}"]`);
    if (!part) continue;
    const focused = part.contains(document.activeElement) ? document.activeElement.id : "";
    const open = part.querySelector("details")?.open;
    const whole = new DOMParser().parseFromString(html, "text/html");
    part.replaceChildren(...whole.body.childNodes);
    const details = part.querySelector("details");
    if (details && open !== undefined) details.open = open;
    if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
  }
  if (!again.hidden && atSwing() !== againAt) closeAgain();
  root.dataset.version = message.version;
  const form = document.querySelector("form[data-result]");
  const first = root.querySelector('[data-part="taps"] input[name="swing"]');
  if (form && first) form.elements.swing.value = first.value;
  // While nothing runs there are other forms: the screen is drawn anew, as it stands.
  const before = root.dataset.phase;
  root.dataset.phase = message.phase;
  if (RUNNING.includes(message.phase) !== RUNNING.includes(before)) {
    // Where the program ends with the recording, what it said last stays here to be read.
    const film = document.getElementById("film-progress");
    if (message.stays && film && !film.hidden) {
      // A film on its way would be cut off.
      document.addEventListener("film-sent", () => location.reload(), { once: true });
    } else if (message.stays) location.reload();
    else root.dataset.over = "1";
  } else if (message.phase !== before) keepAwake();
};

const alive = () => {
  heard = Date.now();
  if (since !== null || line.dataset.up !== "1") {
    since = null;
    line.dataset.up = "1";
    line.className = "small quiet";
    line.textContent = "Live.";
    if (navigator.maxTouchPoints && !("wakeLock" in navigator)) {
      // Browsers have it only where the page comes encrypted or from the device itself.
      line.textContent += " The screen may go dark: set its time longer on the phone.";
    }
  }
  resend();
};

const cut = () => {
  if (since === null) since = new Date();
  line.dataset.up = "0";
  line.className = "cut";
  const at = [since.getHours(), since.getMinutes(), since.getSeconds()].map((n) => String(n).padStart(2, "0")).join(":");
  line.textContent = root.dataset.over
    ? "The program on the computer has ended."
    : RUNNING.includes(root.dataset.phase)
      ? `No line to the computer since ${at}: trying again. What is being recorded there goes on.`
      : `No line to the computer since ${at}: the program there may have ended. Trying again.`;
};

// Who was asked to leave is told so by the computer, and by nothing that goes on trying.
const endIfOut = async () => {
  try {
    const answer = await fetch("/range", { method: "HEAD" });
    if (answer.status === 403) location.reload();
  } catch {
    // No line: nobody said so.
  }
};

const follow = () => {
  source?.close();
  heard = Date.now();
  source = new EventSource(root.dataset.live);
  source.addEventListener("live", (event) => {
    alive();
    show(JSON.parse(event.data));
  });
  source.addEventListener("alive", alive);
  source.addEventListener("error", () => {
    cut();
    endIfOut();
  });
};

setInterval(() => {
  // A browser gives up for good on some errors, and a phone that slept doesn't know of any.
  if (source.readyState === EventSource.CLOSED || Date.now() - heard > QUIET_MS) {
    cut();
    follow();
  }
}, 2000);
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState !== "visible") return;
  if (Date.now() - heard > 5000 || source.readyState !== EventSource.OPEN) follow();
  keepAwake();
});
addEventListener("online", follow);

// -- what is tapped ---------------------------------------------------------------------------
// A tap that could not be sent is kept, also over a reload, and sent when the line is back. Each
// has a name of its own, so one that did arrive isn't taken twice.
const kept = () => JSON.parse(sessionStorage.getItem(KEPT) ?? "[]");
const keep = (taps) => sessionStorage.setItem(KEPT, JSON.stringify(taps));
const WORTH = /\/range\/(felt|kind|result|note)$/;
const name = () => [...crypto.getRandomValues(new Uint8Array(12))].map((n) => n.toString(16).padStart(2, "0")).join("");

const send = async (url, fields) => {
  const abort = new AbortController();
  const timer = setTimeout(() => abort.abort(), 8000);
  try {
    return await fetch(url, {
      method: "POST",
      headers: { accept: "application/json", "content-type": "application/x-www-form-urlencoded" },
      body: new URLSearchParams(fields),
      signal: abort.signal,
    });
  } finally {
    clearTimeout(timer);
  }
};

let sending = null;
const answers = new Map();
const resend = () => {
  sending ??= (async () => {
    await null; // so that it is known as sending before it is done
    try {
      for (let taps = kept(); taps.length; taps = kept()) {
        const answer = await send(taps[0].url, taps[0].fields);
        const text = (answer.ok ? (await answer.json()).text : await answer.text()).trim();
        answers.set(taps[0].fields.at(-1)[1], { ok: answer.ok, text });
        tell(text, !answer.ok);
        keep(kept().slice(1));
      }
    } catch {
      // Once more when the line is back.
    } finally {
      sending = null;
    }
  })();
  return sending;
};

// What was refused is said beside its form, and what was typed stays there.
const answered = (form, ok, text) => {
  const place = form.querySelector(".form-said");
  if (place) {
    place.hidden = ok;
    place.textContent = ok ? "" : text;
    if (!ok) tell("");
  }
  // What was done is seen where it is tapped, also far down on a phone.
  (place && !ok ? place : said).scrollIntoView({ block: "nearest" });
  if (ok) form.querySelectorAll("input:not([type=hidden]), textarea").forEach((one) => { one.value = ""; });
};

document.addEventListener("submit", async (event) => {
  const form = event.target.closest("form[data-quick]");
  if (!form) return;
  event.preventDefault();
  const url = form.getAttribute("action");
  const fields = [...new FormData(form)];
  if (WORTH.test(url)) {
    const tap = name();
    fields.push(["tap", tap]);
    keep([...kept(), { url, fields }]);
    await resend();
    const answer = answers.get(tap);
    answers.delete(tap);
    if (answer) answered(form, answer.ok, answer.text);
    else {
      tell("Not sent yet: it is kept here and sent when the line is back.", true);
      answered(form, true, "");
    }
    return;
  }
  try {
    const answer = await send(url, fields);
    const text = (answer.ok ? (await answer.json()).text : await answer.text()).trim();
    tell(text, !answer.ok);
    answered(form, answer.ok, text);
    if (answer.ok && "again" in form.dataset) await onceMore();
  } catch {
    tell("Not done: there is no line to the computer. Try again when it is back.", true);
  }
});

// The last swing again, beside the typical practice swing, until it is closed, or the next swing or
// part of a lesson comes.
const again = document.getElementById("once-more");
let againAt = "";
const atSwing = () => {
  const swing = root.querySelector('[data-part="bar"] input[name="swing"]')?.value;
  const parts = [...root.querySelectorAll('.lesson-bar [aria-pressed="true"]')].map((one) => one.id);
  return [swing, ...parts].join(" ");
};
const closeAgain = () => {
  again.hidden = true;
  again.lastElementChild.replaceChildren();
  turnLanes();
};
const onceMore = async () => {
  againAt = atSwing();
  const answer = await fetch("/wall/shown?within=range", { headers: { accept: "text/html" } });
  const whole = new DOMParser().parseFromString(await answer.text(), "text/html");
  again.lastElementChild.replaceChildren(...whole.body.childNodes);
  again.hidden = false;
  turnLanes();
  again.scrollIntoView({ block: "nearest" });
};
document.getElementById("once-more-close")?.addEventListener("click", closeAgain);

// What ends it asks once more; "No" folds the question away.
const end = document.getElementById("end");
document.getElementById("no-stop")?.addEventListener("click", (event) => {
  event.preventDefault();
  end.open = false;
  end.querySelector("summary").focus();
});

// -- the phone's screen -----------------------------------------------------------------------
const keepAwake = async () => {
  if (root.dataset.phase !== "going" || !("wakeLock" in navigator)) return;
  try {
    await navigator.wakeLock.request("screen");
  } catch {
    // Low battery, or not allowed: the phone's own setting for its screen remains.
  }
};

// What is told besides the words, for a screen that was left and opened again.
addEventListener("pageshow", (event) => {
  if (event.persisted) follow();
});
follow();
keepAwake();
