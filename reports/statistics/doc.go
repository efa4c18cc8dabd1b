// Package statistics has the intervals, quantiles, moments, lines and
// distribution functions that measurements and figures of the plant share: one
// definition each, with its source. Shares, probabilities and confidences are
// shares of 1 (0.95); what a person gives is in per cent and read by
// [Confidence].
package statistics
