// Runs beside the page, in the browser's audio thread: collects the microphone into blocks of about a tenth of a
// second, as 16-bit samples, with their peak, their power, and the power below 80 Hz, where wind rumbles and no
// bee hums (one-pole low-pass, 6 dB an octave).

class Tap extends AudioWorkletProcessor {
  constructor() {
    super();
    this.block = new Int16Array(Math.round(sampleRate / 10));
    this.keep = 1 - Math.exp((-2 * Math.PI * 80) / sampleRate);
    this.low = 0;
    this.clear();
  }

  clear() {
    this.n = 0;
    this.peak = 0;
    this.sum = 0;
    this.lowSum = 0;
  }

  process([channels]) {
    const [samples] = channels;
    if (!samples) return true;
    for (const sample of samples) {
      this.low += this.keep * (sample - this.low);
      this.lowSum += this.low * this.low;
      this.sum += sample * sample;
      this.peak = Math.max(this.peak, Math.abs(sample));
      this.block[this.n] = Math.max(-32768, Math.min(32767, Math.round(sample * 32767)));
      this.n += 1;
      if (this.n === this.block.length) this.send();
    }
    return true;
  }

  send() {
    const block = this.block.slice();
    this.port.postMessage(
      { block, peak: this.peak, power: this.sum / this.n, rumble: this.lowSum / this.n },
      [block.buffer],
    );
    this.clear();
  }
}

registerProcessor("tap", Tap);
