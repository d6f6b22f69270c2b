package demo_test

import (
	"context"
	"fmt"
	"io"

	"plugproof/decode/can"
	"plugproof/profiles/demo"
)

// The short script of one car, counted by bus.
func ExampleNew() {
	setting, err := demo.ParseSetting("lowan-2-20t-a5")
	if err != nil {
		fmt.Println(err)
		return
	}
	script, err := demo.Cut(demo.Script(0, setting), "key-on", "idle")
	if err != nil {
		fmt.Println(err)
		return
	}
	drive, err := demo.New(setting, demo.Options{Seed: 1, Script: script})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, m := range drive.Markers() {
		fmt.Printf("%s from %.1f s\n", m.Name, float64(m.Start-demo.DefaultStart)/1e9)
	}
	frames := map[string]int{}
	batch := make([]can.Frame, 256)
	for {
		n, err := drive.Read(context.Background(), batch)
		for i := range batch[:n] {
			frames[drive.Buses().Name(batch[i].Bus)]++
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			fmt.Println(err)
			return
		}
	}
	fmt.Println(frames["drive"]/1000, "thousand frames on the drive bus,", frames["body"]/100, "hundred on the body bus")
	// Output:
	// key-on from 0.0 s
	// idle from 7.0 s
	// 9 thousand frames on the drive bus, 9 hundred on the body bus
}
