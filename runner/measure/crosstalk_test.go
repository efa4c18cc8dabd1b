package measure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// coupled is a capture of four channels: the first follows, the second takes a
// share of it, the third is reversed and lags, the fourth has noise only.
func coupled(share float64) (drivers.Frames, drivers.Path) {
	p := steps("left_x", sweep(11, 2), 4, 0.13)
	f := stick{gain: 1, lag: 0.01}.record(p, "left_x", 1)
	other := stick{gain: share, lag: 0.01, noise: 0.0005}.record(p, "left_x", 2)
	third := stick{gain: -2 * share, offset: 0.1, lag: 0.01, noise: 0.0005}.record(p, "left_x", 3)
	quiet := stick{noise: 0.0005}.record(p, "left_x", 4)
	for i := range f.Frames {
		f.Frames[i].Channels = []uint16{f.Frames[i].Channels[0], other.Frames[i].Channels[0], third.Frames[i].Channels[0], quiet.Frames[i].Channels[0]}
	}
	return f, p
}

func TestCrossTalk(t *testing.T) {
	f, p := coupled(0.015)
	r, err := CrossTalk(f, p, CrossTalkOptions{Channel: 1, Axis: "left_x", Lag: 0.01})
	require.NoError(t, err)
	require.Len(t, r.Responses, 3)
	within(t, "follows", r.Follows, 1, 0.002)
	for i, want := range []float64{1.5, -3, 0} {
		c := r.Responses[i]
		require.Equal(t, i+2, c.Channel)
		within(t, "gain", c.Gain, want, 0.03)
		if math.Abs(c.Gain-want) > 2*c.Uncertainty {
			t.Errorf("channel %d: gain %v is not %v within %v", c.Channel, c.Gain, want, c.Uncertainty)
		}
		within(t, "response", c.Response, 2*math.Abs(want), 0.12)
		require.GreaterOrEqual(t, c.Movement, c.Response*0.9)
	}
	require.Equal(t, 3, r.Channel)
	within(t, "worst", r.Worst, 6, 0.12)

	// The order of the channels is that of the results, and nothing else.
	turned, err := CrossTalk(f, p, CrossTalkOptions{Channel: 1, Axis: "left_x", Lag: 0.01, Channels: []int{4, 2, 3}})
	require.NoError(t, err)
	require.Equal(t, []ChannelResponse{r.Responses[2], r.Responses[0], r.Responses[1]}, turned.Responses)
	require.Equal(t, r.Worst, turned.Worst)
}

// The special inputs of the doc comment.
func TestCrossTalkSpecialInputs(t *testing.T) {
	f, p := coupled(0.01)
	both := append(drivers.Path(nil), p...)
	both[3].From = map[string]float64{"left_x": p[3].From["left_x"], "left_y": 0}
	both[3].To = map[string]float64{"left_x": p[3].To["left_x"], "left_y": 0.5}
	for name, c := range map[string]func() (CrossTalkResult, error){
		"two axes": func() (CrossTalkResult, error) {
			return CrossTalk(f, both, CrossTalkOptions{Channel: 1, Axis: "left_x"})
		},
		"channel 0": func() (CrossTalkResult, error) { return CrossTalk(f, p, CrossTalkOptions{Axis: "left_x"}) },
		"channel 9": func() (CrossTalkResult, error) {
			return CrossTalk(f, p, CrossTalkOptions{Channel: 1, Axis: "left_x", Channels: []int{9}})
		},
		"axis": func() (CrossTalkResult, error) { return CrossTalk(f, p, CrossTalkOptions{Channel: 1, Axis: "x"}) },
		"lag": func() (CrossTalkResult, error) {
			return CrossTalk(f, p, CrossTalkOptions{1, "left_x", nil, math.NaN(), 0})
		},
		"skip": func() (CrossTalkResult, error) { return CrossTalk(f, p, CrossTalkOptions{1, "left_x", nil, 0, -1}) },
	} {
		_, err := c()
		require.ErrorContains(t, err, "measure: cross talk: ", name)
	}
	r, err := CrossTalk(sbus(5), p, CrossTalkOptions{Channel: 1, Axis: "left_x", Channels: []int{2}})
	require.NoError(t, err)
	require.True(t, math.IsNaN(r.Worst) && math.IsNaN(r.Responses[0].Gain) && math.IsNaN(r.Follows))
	require.Zero(t, r.Channel)

	for i := range f.Frames {
		f.Frames[i].Channels[1] = 2047
	}
	r, err = CrossTalk(f, p, CrossTalkOptions{Channel: 1, Axis: "left_x", Channels: []int{2}})
	require.NoError(t, err)
	require.Equal(t, ChannelResponse{Channel: 2}, r.Responses[0], "a clipped channel does not respond")
}
