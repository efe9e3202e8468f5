/** What the page needs of a browser, in plain words where it is missing. */

/** @returns {string[]} */
export function missing() {
  const needed = /** @type {[boolean, string][]} */ ([
    [
      typeof AudioContext === "function" &&
        typeof OfflineAudioContext === "function" &&
        typeof AudioBufferSourceNode === "function",
      "Web Audio, which switches between versions without a gap",
    ],
    [typeof BigInt === "function", "whole numbers of any size, for the exact chance of guessing"],
    [
      typeof crypto === "object" && typeof crypto.getRandomValues === "function",
      "a source of chance, for judging without names",
    ],
    [typeof HTMLDialogElement === "function", "dialogs"],
    [typeof ResizeObserver === "function", "drawings that follow the window"],
    [typeof Array.prototype.findLast === "function", "the language of 2022"],
  ]);
  return needed.filter(([there]) => !there).map(([, words]) => words);
}
