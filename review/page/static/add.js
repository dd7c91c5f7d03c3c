// A file that is dropped anywhere on the screen is chosen; a chosen one is sent at once.
"use strict";
const input = document.querySelector('input[type="file"]');
const send = () => input.files.length && input.form.requestSubmit(input.form.querySelector("button"));
input.addEventListener("change", send);
document.addEventListener("dragover", (event) => {
  event.preventDefault();
  input.closest(".drop").classList.add("over");
});
document.addEventListener("dragleave", () => input.closest(".drop").classList.remove("over"));
document.addEventListener("drop", (event) => {
  event.preventDefault();
  input.closest(".drop").classList.remove("over");
  if (!event.dataTransfer.files.length) return;
  input.files = event.dataTransfer.files;
  send();
});
