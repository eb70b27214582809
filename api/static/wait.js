// Looks again for whoever waits: the page itself must not, as nobody could stop it (WCAG 2.2.1).
"use strict";

setTimeout(() => {
  if (!document.activeElement || document.activeElement === document.body) location.reload();
}, 2000);
