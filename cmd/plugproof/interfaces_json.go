package main

import (
	"io"

	"plugproof/replay/socketcan"
)

// interfacesDocument is the output of interfaces --format json.
type interfacesDocument struct {
	Schema     string          `json:"schema"`
	Version    string          `json:"tool_version"`
	Interfaces []interfaceJSON `json:"interfaces"`
}

type interfaceJSON struct {
	Name        string   `json:"name"`
	Index       int      `json:"index"`
	Kind        string   `json:"kind"`
	Up          bool     `json:"up"`
	Controller  string   `json:"controller"`
	Mode        string   `json:"mode"` // virtual, listen-only, active
	Echo        bool     `json:"echo"` // sent frames come back only once they were on the wire
	FD          bool     `json:"fd"`
	Queue       int      `json:"queue_frames"`
	Bitrate     int64    `json:"bitrate_bit_per_s,omitempty"`
	DataBitrate int64    `json:"data_bitrate_bit_per_s,omitempty"`
	TxErrors    int      `json:"tx_error_counter"`
	RxErrors    int      `json:"rx_error_counter"`
	Listened    listened `json:"listened"`
	Since       since    `json:"since_it_exists"`
	Hints       []string `json:"hints"`
}

// listened is what came over the interface during the listen.
type listened struct {
	Seconds     float64  `json:"length_s"`
	Frames      int      `json:"frames"`
	ErrorFrames int      `json:"error_frames"`
	BitRate     float64  `json:"bits_on_the_wire_bit_per_s"`
	Load        *float64 `json:"load_percent"` // null where the bit rate is not known
}

// since counts what the kernel counted.
type since struct {
	Received        uint64 `json:"received_frames"`
	Sent            uint64 `json:"sent_frames"`
	Dropped         uint64 `json:"dropped_frames"`
	BusErrors       uint32 `json:"bus_errors"`
	Warnings        uint32 `json:"error_warnings"`
	Passives        uint32 `json:"error_passives"`
	BusOffs         uint32 `json:"bus_offs"`
	LostArbitration uint32 `json:"lost_arbitrations"`
	Restarts        uint32 `json:"restarts"`
}

func writeInterfaces(w io.Writer, list []socketcan.Interface, loads []socketcan.Load) error {
	doc := interfacesDocument{Schema: "plugproof/interfaces/1", Version: toolVersion}
	for i := range list {
		doc.Interfaces = append(doc.Interfaces, newInterfaceJSON(&list[i], &loads[i]))
	}
	return writeJSON(w, doc)
}

func newInterfaceJSON(i *socketcan.Interface, l *socketcan.Load) interfaceJSON {
	j := interfaceJSON{
		Name: i.Name, Index: i.Index, Kind: i.Kind, Up: i.Up, Controller: i.State.String(), Mode: modeOf(i),
		Echo: i.Echo, FD: i.FD, Queue: i.Queue, Bitrate: i.Bitrate, DataBitrate: i.DataBitrate,
		TxErrors: i.TxErrors, RxErrors: i.RxErrors,
		Listened: listened{
			Seconds: l.Length.Seconds(), Frames: l.Frames, ErrorFrames: l.ErrorFrames, BitRate: l.BitRate(),
		},
		Since: since{
			Received: i.Received, Sent: i.Sent, Dropped: i.Dropped, BusErrors: i.BusErrors, Warnings: i.Warnings,
			Passives: i.Passives, BusOffs: i.BusOffs, LostArbitration: i.LostArbitration, Restarts: i.Restarts,
		},
		Hints: append([]string{}, i.Hints()...), // never null
	}
	if percent, ok := l.Percent(); ok {
		j.Listened.Load = &percent
	}
	return j
}
