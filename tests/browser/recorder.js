/** For tests: what a page plays, sample by sample, taken off on the audio thread in front of the loudspeakers. */
(() => {
  const code = `registerProcessor("recorder", class extends AudioWorkletProcessor {
    constructor() { super(); this.kept = []; }
    process([input]) {
      const silence = new Float32Array(128);
      this.kept.push([Float32Array.from(input[0] ?? silence), Float32Array.from(input[1] ?? input[0] ?? silence)]);
      if (this.kept.length === 32) { this.port.postMessage(this.kept); this.kept = []; }
      return true;
    }
  });`;
  const recorded = [];
  const lasts = new Map();
  const connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (target, ...rest) {
    if (target instanceof AudioDestinationNode && this.context instanceof AudioContext)
      lasts.set(this.context, this);
    return connect.call(this, target, ...rest);
  };
  const resume = AudioContext.prototype.resume;
  AudioContext.prototype.resume = async function () {
    await resume.call(this);
    const last = lasts.get(this);
    if (!last || last.recorder) return;
    await this.audioWorklet.addModule(`data:text/javascript,${encodeURIComponent(code)}`);
    last.recorder = new AudioWorkletNode(this, "recorder", { channelCount: 2, channelCountMode: "explicit" });
    last.recorder.port.onmessage = ({ data }) => recorded.push(...data);
    connect.call(last, last.recorder);
  };
  globalThis.recordedSound = () => {
    const all = [0, 1].map((channel) => {
      const joined = new Float32Array(128 * recorded.length);
      recorded.forEach((block, index) => joined.set(block[channel], 128 * index));
      return joined;
    });
    return all.map((samples) => {
      const bytes = new Uint8Array(samples.buffer);
      let binary = "";
      for (let start = 0; start < bytes.length; start += 8192)
        binary += String.fromCharCode(...bytes.subarray(start, start + 8192));
      return btoa(binary);
    });
  };
})();
