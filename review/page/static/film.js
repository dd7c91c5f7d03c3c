// A film is sent as soon as it is there, and says how far it is. Without this there is a button.
"use strict";
(() => {
  const form = document.getElementById("film");
  if (!form) return;
  const input = form.querySelector('input[type="file"]');
  const bar = document.getElementById("film-progress");
  const told = form.querySelector(".form-said");
  const MOST = 500e6;
  form.classList.add("by-itself");

  const say = (text, wrong = false) => {
    told.textContent = text;
    told.classList.toggle("caution", wrong);
  };

  const over = (text, wrong) => {
    bar.hidden = true;
    input.disabled = false;
    input.value = "";
    say(text, wrong);
    document.dispatchEvent(new Event("film-sent"));
  };

  const send = () => {
    if (!input.files.length) return;
    if (input.files[0].size > MOST) {
      over("That film is larger than 500 MB: film only the swing.", true);
      return;
    }
    const fields = new FormData(form);
    const request = new XMLHttpRequest();
    request.open("POST", form.getAttribute("action"));
    request.setRequestHeader("accept", "application/json");
    request.upload.addEventListener("progress", (event) => {
      if (!event.lengthComputable) return;
      bar.value = Math.round((100 * event.loaded) / event.total);
      say(event.loaded < event.total ? `${bar.value} % of the film is here.` : "All of it is here, and being looked at.");
    });
    request.addEventListener("load", () => {
      const ok = request.status === 200;
      const text = ok ? JSON.parse(request.responseText).text : request.responseText.trim();
      over(ok ? text : `Not kept: ${text}`, !ok);
    });
    request.addEventListener("error", () => {
      over("Not sent: there is no line to the computer. Choose the film again when it is back.", true);
    });
    bar.value = 0;
    bar.hidden = false;
    say("Sending the film.");
    input.disabled = true;
    request.send(fields);
  };

  input.addEventListener("change", send);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send();
  });
})();
