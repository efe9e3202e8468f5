/** For tests: samples in and out of the page's own graphs, on an offline context. Samples travel as base64 of float32. */

const pack = (/** @type {Float32Array} */ samples) => {
  let binary = "";
  for (const byte of new Uint8Array(samples.buffer, samples.byteOffset, samples.byteLength))
    binary += String.fromCharCode(byte);
  return btoa(binary);
};

const unpack = (/** @type {string} */ text) =>
  new Float32Array(Uint8Array.from(atob(text), (one) => one.charCodeAt(0)).buffer);

const bufferOf = (/** @type {string[]} */ channels, /** @type {number} */ rate) => {
  const samples = channels.map(unpack);
  const buffer = new AudioBuffer({
    length: samples[0].length,
    numberOfChannels: samples.length,
    sampleRate: rate,
  });
  samples.forEach((channel, index) => buffer.copyToChannel(channel, index));
  return buffer;
};

const channelsOf = (/** @type {AudioBuffer} */ buffer) =>
  [...Array(buffer.numberOfChannels).keys()].map((index) => pack(buffer.getChannelData(index)));

/** Sound through a listening condition. */
globalThis.throughCondition = async ({ name, channels, rate }) => {
  const buffer = bufferOf(channels, rate);
  const context = new OfflineAudioContext(2, buffer.length, rate);
  const { input, output } = buildCondition(context, name);
  const source = new AudioBufferSourceNode(context, { buffer });
  source.connect(input);
  output.connect(context.destination);
  source.start();
  return channelsOf(await context.startRendering());
};

/** What a deck puts out; `switches` are [version, moment in seconds, through silence]. */
globalThis.throughDeck = async ({ versions, rate, length, at, frame, again, until, heard, switches, stop }) => {
  const context = new OfflineAudioContext(2, length, rate);
  const deck = new Deck(
    context,
    versions.map((channels) => bufferOf(channels, rate)),
    context.destination,
    heard,
  );
  deck.start({ at, frame, again, until: until ?? undefined });
  for (const [next, moment, silent] of switches) {
    if (silent) deck.fader.switchThroughSilence(next, moment);
    else deck.fader.switchTo(next, moment);
  }
  if (stop) deck.stop(stop);
  return channelsOf(await context.startRendering());
};

globalThis.repeatableOf = ({ channels, rate, from, to }) =>
  channelsOf(repeatable(bufferOf(channels, rate), from, to));
