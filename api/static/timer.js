// The clock beside a question. What it counts, and every word of it, stands in the page; without
// this script the page is a plain form and the clock is not shown.
"use strict";

function show(clock, seconds) {
  clock.querySelector(".time").textContent = seconds + " s";
}

function say(clock, name) {
  clock.querySelector("[role=status]").textContent = clock.dataset[name];
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
  const stages = clock.dataset.stages.split(" ").filter(Boolean).map(Number);
  const first = stages[0] || 0;
  let began = 0, ticking = 0, stage = 0, sound = null, hasTold = false;

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
      if (first && passed >= first && !hasTold) {
        hasTold = true;
        say(clock, "enough");
        beep(sound);
      }
    } else if (passed < stages[stage]) {
      show(clock, Math.ceil(stages[stage] - passed));
    } else {
      beep(sound);
      began += stages[stage] * 1000;
      stage += 1;
      if (stage < stages.length) say(clock, "next"); else finish();
    }
  }

  function finish() {
    show(clock, 0);
    rest("read");
    const field = document.getElementById("number");
    if (field) field.focus();
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
      if (isUp) mark(); else { show(clock, first); rest("stopped"); }
      return;
    }
    sound = sound || openSound();
    began = performance.now();
    stage = 0;
    hasTold = false;
    clock.classList.add("runs");
    button.textContent = isUp ? clock.dataset.mark : clock.dataset.stop;
    say(clock, "running");
    tick();
    ticking = setInterval(tick, 100);
  });
  show(clock, isUp ? 0 : first);
  clock.hidden = false;
}

document.querySelectorAll(".timer").forEach(setUp);
