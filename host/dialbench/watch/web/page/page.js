"use strict";
{
  // A cell is 0.6 em wide and 1.32 em high: letters so small that 80 x 24 of them fit.
  const fitting = Math.min(16, innerWidth / 80 / 0.6, innerHeight / 24 / 1.32);
  const letters = Math.max(6, Math.floor(fitting));
  const start = window.onload;

  document.addEventListener("DOMContentLoaded", () => {
    const terminal = document.getElementById("terminal");
    terminal.dataset.sessionWebsocketUrl = `ws://${location.host}/ws`;
    terminal.dataset.fontSize = letters;
    document.getElementById("again").addEventListener("click", () => location.reload());
  });

  // The terminal measures its letters once: not before they are here.
  window.onload = async (event) => {
    await document.fonts.load(`${letters}px "Roboto Mono"`);
    start(event);
    document.querySelector(".xterm-helper-textarea").focus();
  };
}
