// The clock beside a question. What it counts, and every word of it, stands in the page; without
// this script the page is a plain form and the clock is not shown.
"use strict";

function show(clock, seconds) {
  clock.querySelector(".time").textContent = seconds + " s";
}

function say(clock, name) {
  const words = clock.dataset[name];
  clock.querySelector("[role=status]").textContent = words;
}

function beep(sound) {
  if (navigator.vibrate) navigator.vibrate(400);
  if (!sound) return;
  const tone = sound.createOscillator();
  tone.frequency.value = 880;
  tone.connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + 0.4);
}

// A sound may only be made after a tap, so it is got ready by the tap that starts the clock.
function openSound() {
  try {
    return new AudioContext();
  } catch (error) {
    return null;
  }
}

function setUp(clock) {
  const button = clock.querySelector("button");
  const isUp = clock.dataset.way === "up";
  const limit = Number(clock.dataset.seconds);
  let began = 0, ticking = 0, sound = null, hasTold = false;

  function rest(words) {
    clearInterval(ticking);
    ticking = 0;
    button.textContent = clock.dataset.again;
    clock.classList.remove("runs");
    if (words) say(clock, words);
  }

  function tick() {
    const passed = (performance.now() - began) / 1000;
    if (isUp) {
      show(clock, Math.floor(passed));
      if (limit && passed >= limit && !hasTold) {
        hasTold = true;
        say(clock, "enough");
        beep(sound);
      }
    } else if (passed >= limit) {
      show(clock, 0);
      rest("read");
      beep(sound);
      const field = document.getElementById("number");
      if (field) field.focus();
    } else {
      show(clock, Math.ceil(limit - passed));
    }
  }

  function mark() {
    const seconds = ((performance.now() - began) / 1000).toFixed(1);
    show(clock, seconds);
    document.getElementById("number").value = seconds;
    document.getElementById("unit").value = "s";
    rest("marked");
    document.getElementById("take").focus();
  }

  button.addEventListener("click", function () {
    if (ticking) {
      if (isUp) mark(); else { show(clock, limit); rest("stopped"); }
      return;
    }
    sound = sound || openSound();
    began = performance.now();
    hasTold = false;
    clock.classList.add("runs");
    button.textContent = isUp ? clock.dataset.mark : clock.dataset.stop;
    say(clock, "running");
    tick();
    ticking = setInterval(tick, 100);
  });
  show(clock, isUp ? 0 : limit);
  clock.hidden = false;
}

document.querySelectorAll(".timer").forEach(setUp);
