/**
 * Listening conditions: what is left of a mix on other ways to the ear, the same for every version.
 *
 * Each is a small graph on any audio context, so that tests read its samples from an offline one.
 */

/** Band of the small loudspeaker: common practice, no source; like a phone or a kitchen radio, none in particular. */
export const SMALL_FROM_HZ = 300;
export const SMALL_TO_HZ = 8000;

/** The two sections of a Butterworth filter of order four, 24 dB per octave. */
const SECTIONS_Q = [1 / (2 * Math.cos(Math.PI / 8)), 1 / (2 * Math.cos((3 * Math.PI) / 8))];

/** @type {readonly { name: string, title: string, detail: string }[]} */
export const CONDITIONS = Object.freeze([
  { name: "stereo", title: "Stereo", detail: "left and right as they are" },
  { name: "mono", title: "Mono", detail: "(left + right) / 2 on both sides: one loudspeaker, many halls" },
  { name: "left", title: "Left only", detail: "the left side on both sides" },
  { name: "right", title: "Right only", detail: "the right side on both sides" },
  { name: "side", title: "Side only", detail: "(left \u2212 right) / 2 on both sides: what mono takes away" },
  {
    name: "small",
    title: "Small loudspeaker",
    detail:
      `mono, ${SMALL_FROM_HZ} Hz to ${SMALL_TO_HZ / 1000} kHz, 24 dB per octave (Butterworth): ` +
      "like a phone or a kitchen radio",
  },
]);

/** What goes to both sides: shares of left and right. */
const SHARES = { mono: [0.5, 0.5], left: [1, 0], right: [0, 1], side: [0.5, -0.5], small: [0.5, 0.5] };

/**
 * Build the graph of a condition.
 * @param {BaseAudioContext} context
 * @param {string} name
 * @returns {{ input: AudioNode, output: AudioNode }}
 */
export function buildCondition(context, name) {
  const input = new GainNode(context, { channelCount: 2, channelCountMode: "explicit" });
  if (name === "stereo") return { input, output: input };
  const shares = SHARES[/** @type {keyof typeof SHARES} */ (name)];
  if (!shares) throw new RangeError(`no listening condition is called ${name}`);
  const sum = oneChannel(context, input, shares);
  const last = name === "small" ? smallLoudspeaker(context, sum) : sum;
  const output = new ChannelMergerNode(context, { numberOfInputs: 2 });
  last.connect(output, 0, 0);
  last.connect(output, 0, 1);
  return { input, output };
}

/**
 * @param {BaseAudioContext} context
 * @param {AudioNode} input
 * @param {number[]} shares
 * @returns {AudioNode}
 */
function oneChannel(context, input, shares) {
  const split = new ChannelSplitterNode(context, { numberOfOutputs: 2 });
  const sum = new GainNode(context, { channelCount: 1, channelCountMode: "explicit" });
  input.connect(split);
  shares.forEach((gain, channel) => {
    if (gain === 0) return;
    const share = new GainNode(context, { gain, channelCount: 1, channelCountMode: "explicit" });
    split.connect(share, channel);
    share.connect(sum);
  });
  return sum;
}

/**
 * @param {BaseAudioContext} context
 * @param {AudioNode} input
 * @returns {AudioNode}
 */
function smallLoudspeaker(context, input) {
  let last = input;
  for (const [type, frequency] of [
    ["highpass", SMALL_FROM_HZ],
    ["lowpass", SMALL_TO_HZ],
  ]) {
    for (const q of SECTIONS_Q) {
      // the standard takes Q of these two kinds in decibels
      const options = /** @type {BiquadFilterOptions} */ ({
        type,
        frequency,
        Q: 20 * Math.log10(q),
        channelCount: 1,
      });
      const section = new BiquadFilterNode(context, options);
      last.connect(section);
      last = section;
    }
  }
  return last;
}
