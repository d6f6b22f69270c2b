package mutate

import (
	"math/rand/v2"
	"testing"
	"time"

	"plugproof/profiles/demo"
)

// TestManyDrives: what lasts for a moment at each turn of the key is no fault,
// however often it is turned in one capture.
func TestManyDrives(t *testing.T) {
	v := variety{name: "ten drives in one capture"}
	v.change = func(d *Drive, _ *rand.Rand) spoiled { return repeated(d, 10) }
	settings := demo.Settings()
	if testing.Short() {
		settings = settings[6:7]
	}
	for _, car := range settings {
		t.Run(car.String(), func(t *testing.T) {
			t.Parallel()
			d := record(t, car.String(), demo.Options{Seed: 1})
			base := record(t, car.String(), demo.Options{Seed: 100, Start: demo.DefaultStart - int64(24*time.Hour)})
			v.judge(t, d, 1, &baseline{gather(t, base, base.Frames), base.Stages})
		})
	}
}
