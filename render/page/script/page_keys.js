/** What each key of the page does. */

/**
 * @param {any} page the page, with its player and its parts
 * @returns {import("./keys.js").Key[]}
 */
export function pageKeys(page) {
  const { player, transport } = page;
  const digits = [..."1234567890"];
  const hears = {
    open: "hear this version; 0 is the tenth",
    judge: "hear A, B, C \u2026; 0 is the tenth (the letters themselves do what is said below)",
    tell: "hear the first, the second, X",
  }[/** @type {"open" | "judge" | "tell"} */ (page.mode)];
  const step = (/** @type {number} */ seconds) => (/** @type {KeyboardEvent} */ event) =>
    player.moveTo(player.position() + seconds * (event.shiftKey ? 0.1 : 1) * player.rate);
  const open = [
    {
      keys: ["b"],
      shown: "B",
      does: "back to the version heard before",
      act: () => page.hear(player.before),
    },
    {
      keys: ["d"],
      shown: "D",
      does: "spectra: difference from the version heard, or as they are",
      act: () => page.pictures.toggleDifference(),
    },
  ];
  const tell = [
    { keys: ["x"], shown: "X", does: "hear X", act: () => page.hear(2) },
    { keys: ["f"], shown: "F", does: "answer: X is the first", act: () => page.telling.answer("first") },
    { keys: ["s"], shown: "S", does: "answer: X is the second", act: () => page.telling.answer("second") },
  ];
  return [
    {
      keys: [" "],
      shown: "Space",
      does: "play (the passage, if one is marked), stop",
      act: () => page.play(),
    },
    {
      keys: digits,
      shown: page.mode === "tell" ? "1 2 3" : "1 \u2026 9 0",
      does: hears,
      act: (event) => page.hear((Number(event.key) + 9) % 10),
    },
    { keys: [","], shown: ",", does: "hear the one before in the list", act: () => page.hearBeside(-1) },
    { keys: ["."], shown: ".", does: "hear the next in the list", act: () => page.hearBeside(1) },
    ...(page.mode === "open" ? open : []),
    ...(page.mode === "tell" ? tell : []),
    { keys: ["ArrowLeft"], shown: "\u2190", does: "back by 1 s; with Shift by 0.1 s", act: step(-1) },
    { keys: ["ArrowRight"], shown: "\u2192", does: "on by 1 s; with Shift by 0.1 s", act: step(1) },
    {
      keys: ["Home"],
      shown: "Home",
      does: "to the beginning, or that of the passage",
      act: () => player.moveTo(player.begin()),
    },
    { keys: ["i"], shown: "I", does: "the passage starts here", act: () => transport.markHere("from") },
    { keys: ["o"], shown: "O", does: "the passage ends here", act: () => transport.markHere("to") },
    { keys: ["u"], shown: "U", does: "no passage", act: () => transport.mark(null) },
    {
      keys: ["l"],
      shown: "L",
      does: "repeat the passage, or all; without, it is played once",
      act: () => player.setAgain(!player.again),
    },
    { keys: ["+", "="], shown: "+", does: "louder by 1 dB", act: () => player.setLevel(player.levelDb + 1) },
    {
      keys: ["-", "\u2212"],
      shown: "\u2212",
      does: "softer by 1 dB",
      act: () => player.setLevel(player.levelDb - 1),
    },
    {
      keys: ["c"],
      shown: "C",
      does: "next way of hearing; with Shift the one before",
      act: (event) => transport.nextCondition(event.shiftKey ? -1 : 1),
    },
    { keys: ["n"], shown: "N", does: "next take", act: () => page.nextTake(1) },
    { keys: ["p"], shown: "P", does: "take before", act: () => page.nextTake(-1) },
    { keys: ["e"], shown: "E", does: "next excerpt", act: () => page.nextExcerpt() },
    { keys: ["?"], shown: "?", does: "this list", act: () => page.keys.showPanel() },
  ];
}
