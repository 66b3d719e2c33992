"use strict";

const BUSY_MS = 700;
const QUIET_MS = 4000;
const byId = (id) => document.getElementById(id);
const bench = byId("bench");

function complain(sentence) {
  byId("problem").textContent = sentence;
  byId("problem").hidden = !sentence;
}

function say(sentence) {
  if (sentence && byId("told").textContent !== sentence) byId("told").textContent = sentence;
}

// --- adding clips ---------------------------------------------------------------------------------

const coming = [];
let sending = null;

function take(files) {
  complain("");
  for (const file of files) {
    const row = document.createElement("li");
    const what = document.createElement("div");
    what.className = "what";
    const name = document.createElement("p");
    const words = document.createElement("p");
    words.className = "stage";
    const bar = document.createElement("progress");
    bar.max = 1;
    bar.value = 0;
    name.append(Object.assign(document.createElement("bdi"), { textContent: file.name }));
    words.textContent = "Waits to be copied.";
    bar.setAttribute("aria-label", `Share of ${file.name} that is copied`);
    const stop = document.createElement("button");
    stop.type = "button";
    stop.textContent = "Stop";
    stop.setAttribute("aria-label", `Stop copying ${file.name}`);
    what.append(name, words, bar);
    row.append(what, stop);
    byId("coming").append(row);
    const job = { file, row, words, bar, request: null };
    stop.addEventListener("click", () => drop(job));
    coming.push(job);
  }
  next();
}

function drop(job) {
  if (job.request) job.request.abort();
  if (coming.includes(job)) coming.splice(coming.indexOf(job), 1);
  job.row.remove();
}

function next() {
  if (sending || !coming.length) return;
  const job = coming.shift();
  sending = job;
  const request = new XMLHttpRequest();
  job.request = request;
  const query = new URLSearchParams({ name: job.file.name, modified: job.file.lastModified });
  request.open("POST", `upload?${query}`);
  request.setRequestHeader("Content-Type", "application/octet-stream");
  request.setRequestHeader("Accept", "application/json");
  request.responseType = "json";
  request.upload.addEventListener("progress", (event) => {
    job.bar.value = event.total ? event.loaded / event.total : 0;
    job.words.textContent = `Copied: ${Math.round(100 * job.bar.value)} %`;
  });
  request.addEventListener("loadend", () => {
    sending = null;
    const said = request.response;
    if (request.status === 200) {
      say(`${said.name} is here.`);
      job.row.remove();
    } else if (job.row.isConnected) {
      job.words.textContent = said ? said.error : "It did not come to its end.";
      job.words.classList.add("warning");
      job.bar.remove();
      say(`${job.file.name}: ${job.words.textContent}`);
    }
    look();
    next();
  });
  request.send(job.file);
}

function listen() {
  byId("files").addEventListener("change", () => {
    take([...byId("files").files]);
    byId("files").value = "";
  });
  const over = (event) => {
    if (!event.dataTransfer.types.includes("Files")) return;
    event.preventDefault();
    byId("drop").classList.add("over");
  };
  window.addEventListener("dragover", over);
  window.addEventListener("dragleave", () => byId("drop").classList.remove("over"));
  window.addEventListener("drop", (event) => {
    if (!event.dataTransfer.files.length) return;
    event.preventDefault();
    byId("drop").classList.remove("over");
    take([...event.dataTransfer.files]);
  });
  window.addEventListener("beforeunload", (event) => {
    if (sending || coming.length) event.preventDefault();
  });
}

// --- keeping what is shown up to date -------------------------------------------------------------

let timer = 0;

async function look() {
  clearTimeout(timer);
  let wait = QUIET_MS;
  try {
    const answer = await fetch("state", { cache: "no-store" });
    if (!answer.ok) throw new Error((await answer.json()).error);
    const state = await answer.json();
    for (const job of state.jobs) showShare(job);
    if (state.version !== bench.dataset.version) await renew();
    if (bench.dataset.said !== undefined) {
      if (state.said !== bench.dataset.said) say(state.said);
    }
    bench.dataset.said = state.said;
    complain("");
    if (state.busy) wait = BUSY_MS;
  } catch (error) {
    complain(
      error instanceof TypeError
        ? "The program does not answer any more; open the desk again."
        : error.message,
    );
  }
  timer = setTimeout(look, wait);
}

function showShare(job) {
  const row = document.querySelector(`[data-job="${CSS.escape(job.key)}"]`);
  const bar = row && row.querySelector("progress");
  if (!bar) return;
  const known = job.share >= 0;
  // A bar without a value moves all the time, at the cost of a core where nothing draws for it.
  bar.hidden = !known;
  bar.value = known ? job.share : 0;
  row.querySelector("[data-stage]").textContent = job.stage;
  row.querySelector("[data-share]").textContent = known ? `${Math.round(100 * job.share)} %` : "";
}

/** Put the parts of the page that read otherwise now in the place of the old ones. */
async function renew() {
  const answer = await fetch("", { cache: "no-store", headers: { Accept: "text/html" } });
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  const focused = document.activeElement && document.activeElement.id;
  const open = new Set([...document.querySelectorAll("li[id] details[open]")].map((d) => d.closest("li").id));
  const picked = new Set([...document.querySelectorAll("input[type=checkbox]:checked")].map((box) => box.id));
  for (const part of document.querySelectorAll("[data-live]")) {
    const now = fresh.querySelector(`[data-live="${part.dataset.live}"]`);
    if (!now || now.outerHTML === part.dataset.was) continue;
    const was = now.outerHTML;
    for (const box of now.querySelectorAll("input[type=checkbox]")) box.checked = picked.has(box.id);
    for (const row of now.querySelectorAll("li[id]")) {
      if (open.has(row.id) && row.querySelector("details")) row.querySelector("details").open = true;
    }
    now.dataset.was = was;
    part.replaceWith(now);
  }
  bench.dataset.version = fresh.getElementById("bench").dataset.version;
  if (focused && byId(focused) && document.activeElement.id !== focused) byId(focused).focus();
}

// --- printing -------------------------------------------------------------------------------------

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-print]");
  if (!link) return;
  event.preventDefault();
  const old = byId("printed");
  if (old) old.remove();
  const frame = document.createElement("iframe");
  frame.id = "printed";
  frame.className = "vh";
  frame.title = "What is printed";
  frame.setAttribute("aria-hidden", "true");
  frame.tabIndex = -1;
  frame.addEventListener("load", () => frame.contentWindow.print());
  frame.src = link.href;
  document.body.append(frame);
});

if (bench) {
  if (byId("files")) listen();
  look();
}
