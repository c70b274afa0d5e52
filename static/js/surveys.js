// Reading a survey point by point: number pad and keys, the next point by itself, every reading sent at once.
// What the server has not taken yet stays in this browser and is sent again, also after a reload.
"use strict";
(() => {
  const room = document.querySelector("[data-entry]");
  if (!room) return;
  const given = JSON.parse(document.getElementById(room.dataset.entry).textContent);
  const part = (name) => room.querySelector(`[data-entry-${name}]`);
  const value = part("value");
  const places = given.places;
  const readings = given.readings;
  const dots = [...room.querySelectorAll(".place")];
  const token = document.querySelector("[name=csrfmiddlewaretoken]").value;
  const memory = `survey-draft-${given.draft}`;
  const NARROW = "\u202f";
  let here = 0;
  let isStaying = false; // the next reading at this point is one more, not a correction
  let undoable = [];
  let unsent = [];
  let isSending = false;
  let isSignedOut = false;

  const shown = (number) => String(number);
  // For the eye: 3.1 among others with a fraction is 3.10, as the map has it later.
  const digits = (number) => String(number).replace(/^0?\.0*|\./g, "").length;
  const told = (number) => (number === 0 || digits(number) >= 3 || readings.flat().every(Number.isInteger) ? shown(number) : number.toPrecision(3));
  const kept = () => { try { return JSON.parse(localStorage.getItem(memory) ?? "[]"); } catch { return []; } };
  const keep = () => { try { if (unsent.length) localStorage.setItem(memory, JSON.stringify(unsent)); else localStorage.removeItem(memory); } catch { /* private window: the server has what it took */ } };
  const say = (words) => { part("said").textContent = words; };
  // For the eye; what is stored and typed keeps all its digits.
  const length = (mm) => String(Number(mm.toFixed(1))).replace("-", "−");
  const place = (i) => `x ${length(places[i][0])}${NARROW}mm, y ${length(places[i][1])}${NARROW}mm`;
  const typed = () => value.value.trim().replace(",", ".");
  const isNumber = (text) => /^\d*\.?\d+$|^\d+\.$/.test(text);

  const set = (i, n, reading) => {
    if (reading === null) readings[i].splice(n - 1, 1);
    else readings[i][n - 1] = reading;
    const field = document.getElementById(`id_place_${i}`);
    if (field) field.value = readings[i].map(shown).join(" ");
  };

  // One reading out of the middle moves the later ones up: then all of the point are sent again.
  const sent = (i, before) => {
    const most = Math.max(before.length, readings[i].length);
    for (let n = 1; n <= most; n += 1) {
      const now = readings[i][n - 1] ?? null;
      if (now !== (before[n - 1] ?? null)) unsent.push({ place: i, reading: n, value: now });
    }
    keep();
    send();
  };

  const change = (i, next) => {
    const before = [...readings[i]];
    undoable.push({ place: i, before });
    readings[i] = next;
    const field = document.getElementById(`id_place_${i}`);
    if (field) field.value = next.map(shown).join(" ");
    sent(i, before);
  };

  const send = async () => {
    if (isSending) return;
    isSending = true;
    while (unsent.length) {
      const one = unsent[0];
      const body = new URLSearchParams({ place: one.place, reading: one.reading, value: one.value ?? "" });
      let answer;
      try {
        answer = await fetch(room.dataset.store, { method: "POST", body, headers: { "x-csrftoken": token }, credentials: "same-origin" });
      } catch {
        answer = null;
      }
      if (answer && !answer.redirected && (answer.ok || answer.status === 422 || answer.status === 404)) {
        unsent.shift();
        keep();
        if (!answer.ok) {
          const words = (await answer.json().catch(() => ({}))).error ?? "This reading was not taken.";
          if (answer.status === 422) set(one.place, one.reading, null);
          show(one.place);
          part("error").textContent = words;
        }
      } else {
        isSignedOut = Boolean(answer && (answer.redirected || answer.status === 403));
        tell();
        await new Promise((done) => setTimeout(done, 3000));
      }
    }
    isSending = false;
    tell();
  };

  const tell = () => {
    const note = part("unsaved");
    note.hidden = !unsent.length;
    const why = isSignedOut ? "you are signed out; sign in again in another window." : "the server does not answer.";
    note.textContent = unsent.length ? `${unsent.length} reading${unsent.length === 1 ? "" : "s"} not stored yet: ${why} They are kept here and sent again.` : "";
  };

  const enterWords = () => {
    const there = readings[here];
    if (!typed()) return "Next point";
    if (isStaying && there.length) return `Store reading ${there.length + 1}, next point`;
    return there.length ? `Replace ${told(there[there.length - 1])}` : "Store, next point";
  };

  const show = (i) => {
    here = i;
    dots.forEach((dot, n) => {
      const there = readings[n];
      dot.classList.toggle("is-here", n === here);
      dot.classList.toggle("is-read", there.length > 0);
      dot.setAttribute("aria-pressed", String(n === here));
      dot.querySelector("text").textContent = there.length ? told(Number((there.reduce((a, b) => a + b) / there.length).toPrecision(4))) : "";
      dot.setAttribute("aria-label", `point ${n + 1}, ${place(n)}${there.length ? `, read ${there.map(told).join(" and ")}` : ", not read"}`);
    });
    const count = readings.filter((there) => there.length).length;
    part("count").textContent = `${count} of ${places.length} read`;
    room.querySelector("progress").value = count;
    const there = readings[here];
    part("where").textContent = `Point ${here + 1}: ${place(here)}${there.length ? ` · read ${there.map(told).join(", ")}` : ""}`;
    part("undo").disabled = !undoable.length;
    part("clear").disabled = !there.length;
    part("error").textContent = "";
    refresh();
  };

  const refresh = () => {
    part("enter").textContent = enterWords();
    const text = typed();
    part("worth").textContent = isNumber(text) && given.perReading !== 1 ? `= ${Number((Number(text) * given.perReading).toPrecision(6))}${NARROW}mW/cm²` : "";
  };

  const nextUnread = () => {
    for (let step = 1; step <= places.length; step += 1) {
      const n = (here + step) % places.length;
      if (!readings[n].length) return n;
    }
    return -1;
  };

  const goOn = (words) => {
    value.value = "";
    isStaying = false;
    const next = nextUnread();
    if (next < 0) {
      show(here);
      say(`${words} All ${places.length} points are read.`);
      part("where").textContent = `All ${places.length} points are read. Touch one to correct it, or look at the map.`;
      return;
    }
    show(next);
    say(`${words} Point ${next + 1} of ${places.length}, ${place(next)}.`);
  };

  const taken = () => {
    const text = typed();
    if (!isNumber(text)) {
      part("error").textContent = `“${value.value}” is not a reading; type digits and one point.`;
      return null;
    }
    return Number(text);
  };

  const enter = () => {
    if (!typed()) {
      isStaying = false;
      show((here + 1) % places.length);
      say(`Point ${here + 1}, ${place(here)}.`);
      return;
    }
    const reading = taken();
    if (reading === null) return;
    const there = readings[here];
    change(here, there.length && !isStaying ? [...there.slice(0, -1), reading] : [...there, reading]);
    goOn(`Stored ${told(reading)}.`);
  };

  const again = () => {
    if (!typed()) {
      isStaying = true;
      say(`The next reading at point ${here + 1} is one more.`);
      refresh();
      value.focus();
      return;
    }
    const reading = taken();
    if (reading === null) return;
    change(here, [...readings[here], reading]);
    value.value = "";
    isStaying = true;
    show(here);
    say(`Stored ${told(reading)}; read point ${here + 1} again.`);
  };

  const undo = () => {
    const last = undoable.pop();
    if (!last) return;
    const before = [...readings[last.place]];
    readings[last.place] = last.before;
    const field = document.getElementById(`id_place_${last.place}`);
    if (field) field.value = last.before.map(shown).join(" ");
    sent(last.place, before);
    value.value = "";
    isStaying = false;
    show(last.place);
    say(`Undone. Point ${last.place + 1}.`);
  };

  const clear = () => {
    if (!readings[here].length) return;
    change(here, []);
    value.value = "";
    isStaying = false;
    show(here);
    say(`Point ${here + 1} is empty.`);
  };

  const move = (dx, dy) => {
    const [x, y] = places[here];
    let best = -1;
    let least = Infinity;
    places.forEach(([px, py], n) => {
      const along = (px - x) * dx + (py - y) * dy;
      const across = Math.abs((px - x) * dy) + Math.abs((py - y) * dx);
      const cost = along + 3 * across;
      if (along > 1e-6 && cost < least) { best = n; least = cost; }
    });
    if (best < 0) return;
    isStaying = false;
    value.value = "";
    show(best);
    say(`Point ${best + 1}, ${place(best)}.`);
  };

  const press = (key) => {
    if (key === "back") value.value = value.value.slice(0, -1);
    else if (key === "." ? !/[.,]/.test(value.value) : true) value.value = (value.value + key).slice(0, 12);
    part("error").textContent = "";
    refresh();
  };

  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
  const onKey = (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return false;
    if (arrows[event.key]) move(...arrows[event.key]);
    else if (event.key === "Enter") enter();
    else if (event.key === "+") again();
    else if (event.key === "u" || event.key === "U") undo();
    else return false;
    event.preventDefault();
    return true;
  };
  value.addEventListener("keydown", onKey);
  value.addEventListener("input", () => { part("error").textContent = ""; refresh(); });
  // With the focus on a point or a key of the pad the digits still count.
  room.addEventListener("keydown", (event) => {
    if (event.target === value) return;
    const dot = event.target.closest(".place");
    if (dot && (event.key === "Enter" || event.key === " ")) { touch(dot); event.preventDefault(); return; }
    if (event.target.closest("button") && (event.key === "Enter" || event.key === " ")) return;
    if (/^[0-9.,]$/.test(event.key) && !event.ctrlKey && !event.metaKey && !event.altKey) { press(event.key === "," ? "." : event.key); value.focus(); event.preventDefault(); return; }
    if (event.key === "Backspace") { press("back"); value.focus(); event.preventDefault(); return; }
    onKey(event);
  });

  const touch = (dot) => {
    isStaying = false;
    value.value = "";
    show(Number(dot.dataset.place));
    say(`Point ${here + 1}, ${place(here)}.`);
    value.focus({ preventScroll: true });
  };
  // A press must not take the focus away from the reading: Enter would then press the key again.
  room.addEventListener("pointerdown", (event) => { if (event.target.closest(".pad button, [data-entry-enter], .entry-more button")) event.preventDefault(); });
  room.addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]");
    const dot = event.target.closest(".place");
    if (key) press(key.dataset.key);
    else if (dot) touch(dot);
    else if (event.target.closest("[data-entry-enter]")) enter();
    else if (event.target.closest("[data-entry-again]")) again();
    else if (event.target.closest("[data-entry-undo]")) undo();
    else if (event.target.closest("[data-entry-clear]")) clear();
  });

  // The table below goes with the page: not before the server has what waits here.
  document.getElementById("survey-table").addEventListener("submit", (event) => {
    if (!unsent.length) return;
    event.preventDefault();
    const button = event.submitter;
    const watch = setInterval(() => {
      if (unsent.length) return;
      clearInterval(watch);
      event.target.requestSubmit(button);
    }, 100);
  });

  room.hidden = false;
  for (const one of kept()) {
    set(one.place, one.reading, one.value);
    unsent.push(one);
  }
  const first = readings.findIndex((there) => !there.length);
  show(first < 0 ? 0 : first);
  value.focus({ preventScroll: true });
  if (unsent.length) send();
})();
