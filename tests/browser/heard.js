/** For tests: remembers which sound hangs on which gain, and which gain was last told to rise to one. */
(() => {
  const behind = new Map();
  let risen = null;
  const ramp = AudioParam.prototype.linearRampToValueAtTime;
  AudioParam.prototype.linearRampToValueAtTime = function (value, when) {
    if (value === 1 && behind.has(this)) risen = this;
    return ramp.call(this, value, when);
  };
  const connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (target, ...rest) {
    if (this instanceof AudioBufferSourceNode) behind.set(target.gain, this.buffer);
    return connect.call(this, target, ...rest);
  };
  globalThis.peakHeard = () => Math.max(...behind.get(risen).getChannelData(0));
})();
