// Small numbers that the files of the strip share.

// Times are kept to the millisecond.
export const round = (seconds) => Math.round(seconds * 1000) / 1000;

export const between = (low, value, high) => Math.min(high, Math.max(low, value));
