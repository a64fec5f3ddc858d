// The review page: sound and words in step, changes sent to the program, parts drawn again.
"use strict";
(() => {
  const $ = (sel, from = document) => from.querySelector(sel);
  const all = (sel, from = document) => [...from.querySelectorAll(sel)];
  const line = $("#line"), seconds = Number(line.dataset.seconds), audio = $("#sound");
  const talk = all("#talk li[data-s]"), starts = talk.map((li) => Number(li.dataset.s));
  const wave = $("#wave"), close = $("#close"), seek = $("#seek");
  const PEAKS = 20, PACE = 96; // peaks a second; pixels for a second in the close view
  let at = 0, stopAt = null, peaks = null, chosen = null, nowLi = null, nowWord = null, busy = false;

  const clock = (s) => {
    const w = Math.max(0, Math.floor(s)), h = Math.floor(w / 3600), m = Math.floor(w / 60) % 60;
    const two = (n) => String(n).padStart(2, "0");
    return h ? `${h}:${two(m)}:${two(w % 60)}` : `${m}:${two(w % 60)}`;
  };
  const say = (text, bad = false) => {
    const box = $(bad ? "#fault" : "#told");
    box.textContent = text;
    clearTimeout(box.timer);
    box.timer = setTimeout(() => { box.textContent = ""; }, bad ? 9000 : 3500);
  };

  // --- place in the recording -------------------------------------------------------------
  function show() {
    $("#head").style.left = `${Math.min(100, (at / seconds) * 100)}%`;
    $("#clock").textContent = clock(at);
    if (document.activeElement !== seek) seek.value = Math.round(at);
    seek.setAttribute("aria-valuetext", clock(at));
    follow();
    drawClose();
  }
  function go(to, play = false, until = null) {
    at = Math.min(Math.max(0, to), seconds);
    stopAt = until;
    if (audio) {
      audio.currentTime = at;
      if (play) audio.play().catch(() => say("The browser cannot play this recording.", true));
    }
    show();
  }
  function index(list, value) { // last place whose number is not above the value
    let low = 0, high = list.length;
    while (low < high) { const mid = (low + high) >> 1; if (list[mid] <= value + 0.02) low = mid + 1; else high = mid; }
    return low - 1;
  }
  function follow() {
    const li = talk[index(starts, at)] || null;
    if (li !== nowLi) {
      if (nowLi) { nowLi.classList.remove("now"); const s = $("span", nowLi); s.textContent = s.textContent; }
      nowLi = li; nowWord = null;
      if (!li) return;
      li.classList.add("now");
      const span = $("span", li), words = span.textContent.split(" ");
      span.replaceChildren(...words.flatMap((word, i) => {
        const one = document.createElement("span");
        one.className = "word"; one.textContent = word;
        return i ? [" ", one] : [one];
      }));
      const box = $("#talk");
      if (li.offsetTop < box.scrollTop + 20 || li.offsetTop > box.scrollTop + box.clientHeight - 60) box.scrollTop = li.offsetTop - box.clientHeight / 3;
    }
    if (!li) return;
    const words = all(".word", li), times = li.dataset.w.split(" ").map(Number);
    const word = at <= Number(li.dataset.e) + 0.3 ? words[index(times, at)] : null;
    if (word !== nowWord) { nowWord?.classList.remove("now"); word?.classList.add("now"); nowWord = word; }
  }
  function tick() {
    at = audio.currentTime;
    if (stopAt !== null && at >= stopAt) { audio.pause(); stopAt = null; }
    show();
    if (!audio.paused) requestAnimationFrame(tick);
  }
  if (audio) {
    audio.addEventListener("play", () => { $("#play span").textContent = "❚❚"; requestAnimationFrame(tick); });
    audio.addEventListener("pause", () => { $("#play span").textContent = "▶"; });
    audio.addEventListener("seeked", () => { if (audio.paused) { at = audio.currentTime; show(); } });
    audio.addEventListener("error", () => say("The browser cannot play this recording.", true));
    $("#speed").addEventListener("change", (e) => { audio.playbackRate = Number(e.target.value); });
  }
  const toggle = () => { if (audio) { if (audio.paused) { stopAt = null; audio.play().catch(() => {}); } else audio.pause(); } };
  const clip = (text) => { const [a, b] = text.split(" ").map(Number); go(a, true, b); };

  // --- waveform ---------------------------------------------------------------------------
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name);
  function sized(canvas) {
    const scale = window.devicePixelRatio || 1, box = canvas.getBoundingClientRect();
    const w = Math.max(1, Math.round(box.width * scale)), h = Math.max(1, Math.round(box.height * scale));
    if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
    const pen = canvas.getContext("2d");
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    pen.clearRect(0, 0, box.width, box.height);
    return [pen, box.width, box.height];
  }
  function drawWave() {
    const [pen, w, h] = sized(wave);
    if (!peaks) return;
    pen.fillStyle = colour("--wave");
    for (let x = 0; x < w; x++) {
      const a = Math.floor((x / w) * seconds * PEAKS), b = Math.max(a + 1, Math.floor(((x + 1) / w) * seconds * PEAKS));
      let loud = 0;
      for (let i = a; i < b && i < peaks.length; i++) loud = Math.max(loud, peaks[i]);
      const high = Math.max(1, Math.sqrt(loud / 255) * h);
      pen.fillRect(x, (h - high) / 2, 1, high);
    }
  }
  const FONT = "13px 'Segoe UI', Roboto, 'Noto Sans', 'DejaVu Sans', Arial, sans-serif";
  let laid = null; // where each word of each phrase lies, in pixels from the recording's start
  function lay(pen) {
    const widths = new Map(), free = [0, 0];
    const width = (word) => { let w = widths.get(word); if (w === undefined) { w = pen.measureText(word).width; widths.set(word, w); } return w; };
    laid = talk.map((li) => {
      const words = li.lastElementChild.textContent.split(" "), times = li.dataset.w.split(" ").map(Number);
      // A phrase that would run into the one before goes to the other of two rows.
      const first = times[0] * PACE, row = free[0] <= first || free[0] <= free[1] ? 0 : 1;
      let x = Math.max(first, free[row]);
      const placed = words.map((word, k) => {
        const here = Math.max(times[k] * PACE, x);
        x = here + width(word) + 5;
        return [word, here, times[k]];
      });
      free[row] = x + 6;
      return { row, placed, end: x };
    });
  }
  function drawClose() {
    if (!close.offsetParent) return;
    const [pen, w, h] = sized(close), span = w / PACE, begin = at - span * 0.4, mid = 18;
    if (peaks) {
      pen.fillStyle = colour("--wave");
      for (let i = Math.max(0, Math.floor(begin * PEAKS)); i < Math.min(peaks.length, (begin + span) * PEAKS); i++) {
        const high = Math.max(1, Math.sqrt(peaks[i] / 255) * 32);
        pen.fillRect((i / PEAKS - begin) * PACE, mid - high / 2, Math.max(1, PACE / PEAKS - 1.5), high);
      }
    }
    pen.font = FONT;
    if (!laid) lay(pen);
    const ink = colour("--ink"), soft = colour("--soft"), left = begin * PACE;
    let i = Math.max(0, index(starts, begin));
    while (i > 0 && laid[i - 1].end > left) i--;
    for (; i < talk.length && starts[i] < begin + span; i++) {
      for (const [word, x, time] of laid[i].placed) {
        pen.fillStyle = time <= at + 0.02 ? ink : soft;
        pen.fillText(word, x - left, 48 + laid[i].row * 17);
      }
    }
    pen.fillStyle = colour("--out");
    pen.fillRect(w * 0.4 - 1, 0, 2, h);
  }
  if (audio) {
    fetch("waveform").then((r) => (r.ok ? r.arrayBuffer() : null)).then((b) => {
      if (b) { peaks = new Uint8Array(b); drawWave(); drawClose(); document.body.dataset.wave = "drawn"; }
    }).catch(() => {});
  }
  window.addEventListener("resize", () => { drawWave(); drawClose(); });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { drawWave(); drawClose(); });
  const placed = (box, e) => (e.clientX - box.left) / box.width;
  line.addEventListener("click", (e) => {
    const mark = e.target.closest("[data-at]");
    go(mark && !mark.classList.contains("band") ? Number(mark.dataset.at) : placed(line.getBoundingClientRect(), e) * seconds, Boolean(audio));
  });
  close.addEventListener("click", (e) => go(at + (placed(close.getBoundingClientRect(), e) - 0.4) * close.clientWidth / PACE, audio ? !audio.paused : false));
  seek.addEventListener("input", () => go(Number(seek.value), audio ? !audio.paused : false));

  // --- changes ----------------------------------------------------------------------------
  const head = () => $("#state").dataset.head;
  async function send(act, body = {}) {
    if (busy) return false;
    busy = true;
    document.body.classList.add("busy");
    try {
      const answer = await fetch(`do/${act}`, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ head: head(), ...body }),
      });
      const held = await answer.json().catch(() => ({ fault: "The program did not answer; is it still running?" }));
      if (!answer.ok) { say(held.fault || "This was refused.", true); return held.fault || false; }
      redraw(held.parts);
      say(held.told);
      return true;
    } catch { say("The program does not answer; start it again in the terminal.", true); return false; }
    finally { busy = false; document.body.classList.remove("busy"); }
  }
  function redraw(parts) {
    const order = all(".task").map((t) => t.id), place = chosen ? order.indexOf(chosen) : -1;
    const inWork = document.activeElement?.closest("#work") || document.activeElement === document.body;
    const kept = document.activeElement?.id || document.activeElement?.dataset.score && `[data-score="${document.activeElement.dataset.score}"]`;
    for (const [name, html] of Object.entries(parts)) {
      const box = document.getElementById(`part-${name}`);
      if (box) box.innerHTML = html; // made and escaped by the program on this machine
    }
    filter();
    const state = $("#state").dataset;
    $("#undo").disabled = !state.undoable;
    $("#add-one").disabled = Boolean(state.closed);
    if (chosen && !document.getElementById(chosen)) {
      // The one that was dealt with is gone: go on with the one that took its place.
      const others = order.slice(place + 1).concat(order.slice(0, Math.max(0, place)).reverse()).filter((id) => document.getElementById(id));
      const kind = chosen.slice(0, 4), left = others.find((id) => id.startsWith(kind));
      chosen = null;
      if (left) choose(document.getElementById(left), false, inWork); else if (inWork) $("#work").focus({ preventScroll: true });
    } else if (chosen) choose(document.getElementById(chosen), false, false);
    if (kept && document.activeElement === document.body) (kept.startsWith("[") ? $(kept) : document.getElementById(kept))?.focus({ preventScroll: true });
  }
  function choose(task, play = true, focus = true) {
    all(".task.chosen").forEach((one) => one.classList.remove("chosen"));
    if (!task) { chosen = null; return; }
    chosen = task.id;
    task.classList.add("chosen");
    if (focus) { task.focus({ preventScroll: true }); task.scrollIntoView({ block: "nearest" }); }
    if (play) { const button = $("[data-clip]", task); if (button && audio) clip(button.dataset.clip); else if (task.dataset.at) go(Number(task.dataset.at)); }
  }
  function next(kind) {
    tab("work");
    const tasks = all(`.task[data-kind="${kind}"]`);
    if (!tasks.length) { say(kind === "doubt" ? "Nothing waits to be confirmed." : "No remark is open."); return; }
    choose(tasks[(tasks.findIndex((one) => one.id === chosen) + 1) % tasks.length]);
  }
  const current = () => (chosen ? document.getElementById(chosen) : null);
  function typedIn(box) {
    const typed = {};
    all("input[name], select[name]", box).forEach((one) => { typed[one.name] = one.value; });
    const reason = typed.reason || "";
    delete typed.reason;
    return [typed, reason];
  }
  async function edit(button) {
    const id = button.dataset.edit, box = editBox(button, id);
    if (box.dataset.open === "change") { shut(box); return; }
    const answer = await fetch(`form?finding=${encodeURIComponent(id)}`);
    if (!answer.ok) { say((await answer.json()).fault, true); return; }
    fill(box, button, await answer.text(), "Save", (form) => {
      const [typed, reason] = typedIn(form);
      return send("change", { finding: id, typed, text: reason });
    });
  }
  function reject(button) { // nothing is struck before the reason was asked for; it may stay empty
    const id = button.dataset.finding, box = editBox(button, id);
    const fields = '<div class="fields"><label>Reason for rejecting it <input name="reason" size="36" maxlength="400" autocomplete="off" placeholder="if it helps the reader"></label></div>';
    if (box.dataset.open === "reject") shut(box);
    else fill(box, button, fields, "Reject", (form) => send("reject", { finding: id, text: form.reason.value }), "reject");
  }
  const editBox = (button, id) => $(`.edit[data-for="${CSS.escape(id)}"]`, button.closest(".task li, .task, .said, li"));
  function shut(box) {
    box.replaceChildren();
    delete box.dataset.open;
    const home = box.closest(".task li, .task, .said, li");
    all("[aria-expanded]", home).forEach((one) => one.setAttribute("aria-expanded", "false"));
  }
  function fill(box, button, fields, verb, act, what = "change") {
    const form = document.createElement("form");
    form.innerHTML = fields;
    form.insertAdjacentHTML("beforeend", `<p class="fault" role="alert"></p><div class="row"><button type="submit" class="main">${verb}</button><button type="button" data-cancel>Cancel</button></div>`);
    form.addEventListener("submit", async (e) => {
      e.preventDefault();
      const done = await act(form);
      if (done !== true && done) $(".fault", form).textContent = done;
    });
    $("[data-cancel]", form).addEventListener("click", () => { shut(box); button.focus(); });
    shut(box);
    box.replaceChildren(form);
    box.dataset.open = what;
    button.setAttribute("aria-expanded", "true");
    $("input, select", form)?.focus({ preventScroll: true });
    box.scrollIntoView({ block: "nearest" });
  }

  // --- tabs and filters -------------------------------------------------------------------
  const tabs = all('[role="tab"]');
  function tab(id, focus = false) {
    tabs.forEach((one) => {
      const on = one.getAttribute("aria-controls") === id;
      one.setAttribute("aria-selected", String(on));
      one.tabIndex = on ? 0 : -1;
      if (on && focus) one.focus();
      document.getElementById(one.getAttribute("aria-controls")).hidden = !on;
    });
  }
  $(".tabs").addEventListener("keydown", (e) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[e.key];
    if (!step) return;
    const here = tabs.findIndex((one) => one.getAttribute("aria-selected") === "true");
    tab(tabs[(here + step + tabs.length) % tabs.length].getAttribute("aria-controls"), true);
    e.preventDefault();
  });
  let only = null; // items of a shape that was clicked in the figure
  function filter() {
    const f = $("#filters"), level = f.level.value, region = f.region.value, side = f.side.value;
    let shown = 0;
    all("table.items").forEach((table) => {
      let here = 0;
      all("tbody tr", table).forEach((row) => {
        const ok = (!only || only.has(row.dataset.item)) && (!level || row.dataset.level === level) && (!region || table.dataset.region === region)
          && (!side || row.dataset.sides.split(" ").some((one) => one === side || (one === "both" && side !== "unspecified")));
        row.hidden = !ok;
        here += ok;
      });
      table.hidden = !here;
      shown += here;
    });
    $("#count").textContent = level || region || side || only ? `${shown} item${shown === 1 ? "" : "s"}` : "";
  }
  $("#filters").addEventListener("change", () => { only = null; filter(); });
  $("#filters").addEventListener("reset", () => { only = null; setTimeout(filter); });
  $("#filters").addEventListener("submit", (e) => e.preventDefault());
  function shape(target) {
    const hit = target.closest("#part-figure [data-region]");
    if (!hit) return false;
    const f = $("#filters");
    f.reset();
    f.region.value = hit.dataset.region || "";
    if (["left", "right"].includes(hit.dataset.side)) f.side.value = "";
    only = hit.dataset.items ? new Set(hit.dataset.items.split(" ")) : null;
    setTimeout(() => { f.region.value = only ? "" : hit.dataset.region; filter(); });
    tab("items");
    $("#items").scrollIntoView({ block: "nearest" });
    return true;
  }

  // --- dialogs ----------------------------------------------------------------------------
  function open(id) {
    const box = document.getElementById(id);
    if (id === "comment") { $("#comment-at").textContent = clock(at); box.dataset.at = at; }
    $(".fault", box) && ($(".fault", box).textContent = "");
    if (audio && id !== "keys") audio.pause();
    box.showModal();
  }
  let addItem = "";
  async function addFields(id) {
    addItem = id;
    const answer = await fetch(`form?item=${encodeURIComponent(id)}`);
    $("#add-fields").innerHTML = answer.ok ? await answer.text() : "";
    $("#add-form .main").disabled = !answer.ok;
  }
  $("#add-item").addEventListener("input", (e) => {
    const found = e.target.value.match(/\(([a-z0-9_]+\.[a-z0-9_]+)\)$/);
    if (found) addFields(found[1]); else { $("#add-fields").replaceChildren(); $("#add-form .main").disabled = true; }
  });
  $("#add-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    const [typed, reason] = typedIn($("#add-fields"));
    const done = await send("add", { typed: { ...typed, item: addItem, at: at.toFixed(2) }, text: reason });
    if (done === true) { $("#add").close(); $("#add-item").value = ""; $("#add-fields").replaceChildren(); $("#add-form .main").disabled = true; }
    else if (done) $("#add .fault").textContent = done;
  });
  $("#comment-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    const form = e.target, done = await send("comment", { text: form.text.value, seconds: form.all.checked ? null : Number($("#comment").dataset.at) });
    if (done === true) { form.reset(); $("#comment").close(); } else if (done) $(".fault", form).textContent = done;
  });

  // --- who, scores, clicks, keys ----------------------------------------------------------
  $("#who").addEventListener("submit", (e) => e.preventDefault());
  $("#who").addEventListener("change", async (e) => {
    const form = e.currentTarget;
    const answer = await fetch("/who", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ code: form.code.value, role: form.role.value }) });
    if (answer.ok) location.reload(); else say((await answer.json()).fault, true);
  });
  document.addEventListener("change", (e) => {
    const id = e.target.dataset.score || e.target.dataset.scoreRemark;
    if (!id) return;
    const row = e.target.closest("tr");
    send("score", { criterion: id, points: $("[data-score]", row).value, text: $("[data-score-remark]", row).value });
  });
  document.addEventListener("submit", async (e) => {
    const act = e.target.dataset.form;
    if (!act) return;
    e.preventDefault();
    const done = await send(act, { text: e.target.text.value });
    if (done !== true && done) $(".fault", e.target).textContent = done;
  });
  document.addEventListener("click", (e) => {
    const hit = e.target.closest("button, [data-do]"), li = e.target.closest("#talk li[data-s]");
    if (shape(e.target)) return;
    const task = e.target.closest(".task");
    if (task && task.id !== chosen) choose(task, false, false);
    if (li) { go(Number(li.dataset.s), Boolean(audio)); return; }
    if (!hit) return;
    const d = hit.dataset;
    if (hit.id === "play") toggle();
    else if (hit.id === "back3") go(at - 3, audio ? !audio.paused : false);
    else if (hit.role === "tab" || hit.getAttribute("role") === "tab") tab(hit.getAttribute("aria-controls"), true);
    else if (d.next) next(d.next);
    else if (d.open) open(d.open);
    else if ("close" in d) hit.closest("dialog").close();
    else if (d.edit) edit(hit);
    else if (d.add) { $("#add-item").value = `${hit.textContent.replace(/ \+$/, "").trim()} (${d.add})`; open("add"); addFields(d.add); }
    else if (d.clip) clip(d.clip);
    else if (d.do === "reject") reject(hit);
    else if (d.do) send(d.do, { finding: d.finding || "", rule: d.rule || "", sentence: d.sentence || "", ...(d.alternative ? { alternative: Number(d.alternative) } : {}) });
    else if (d.at) go(Number(d.at), Boolean(audio));
  });
  document.addEventListener("keydown", (e) => {
    if ((e.key === "Enter" || e.key === " ") && shape(e.target)) { e.preventDefault(); return; }
    if (e.ctrlKey || e.metaKey || e.altKey || !$("#keys-on").checked || $("dialog[open]")) return;
    if (e.target.closest("input, select, textarea") && e.target !== seek) return;
    const task = current(), press = (sel) => { const b = task && $(sel, task); if (b && !b.disabled) b.click(); };
    const key = e.key.toLowerCase();
    if (key === " ") { if (e.target.closest("button, a, summary, [role='button']")) return; toggle(); }
    else if (key === "b") go(at - 3, audio ? !audio.paused : false);
    else if (key === "n") next("doubt");
    else if (key === "f") next("flag");
    else if (key === "p") press("[data-clip]");
    else if (key === "a") press('[data-do="accept"], [data-do="acknowledge"]');
    else if (key === "e") press("[data-edit]");
    else if (key === "r") press('[data-do="reject"]');
    else if (key === "u") $("#undo").click();
    else if (key === "c") open("comment");
    else if (key === "h") $("#add-one").click();
    else if (key === "?") open("keys");
    else if (/^[1-9]$/.test(key)) press(`[data-alternative="${Number(key) - 1}"]`);
    else return;
    e.preventDefault();
  });
  // The player stays on top; what lies below it has to know how high it is.
  const player = $(".player");
  new ResizeObserver(() => document.documentElement.style.setProperty("--player", `${player.offsetHeight}px`)).observe(player);
  show();
  document.body.dataset.ready = "yes";
  performance.mark("ready");
})();
