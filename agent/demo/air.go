package demo

// Rooms: the heat in them and the chlorine in their air.

// room is a heated room: temperatures in degrees Celsius, heat in W and J.
type room struct {
	temp     float64
	heating  bool
	capacity float64 // J/K, of air and structure
	loss     float64 // W/K, through walls and with the ventilation
	heater   float64 // W when it runs
	on, off  float64 // the thermostat
}

// step advances by dt seconds; taken is the heat in W that containers take.
func (r *room) step(dt, outside, taken float64) {
	switch {
	case r.temp < r.on:
		r.heating = true
	case r.temp > r.off:
		r.heating = false
	}
	heat := r.loss*(outside-r.temp) - taken
	if r.heating {
		heat += r.heater
	}
	r.temp += heat * dt / r.capacity
}

const (
	// A room of 6,000 ft3 with one air change in three minutes, as 30 Tex. Admin.
	// Code 217.278(c) asks of a chlorine room.
	roomVolume  = 170.0            // m3
	ventilation = roomVolume / 180 // m3/s
	airHeat     = 1.2 * 1005       // J/(m3 K)

	// gasPerPPM is the chlorine in the air, g/m3, at 1 ppm: 2.9 mg/m3 (NIOSH Pocket
	// Guide to Chemical Hazards, at 25 degC and 1 atm).
	gasPerPPM = 2.9e-3
)

// chlorineRoom is the heat of the chlorine room. A heater of 15 kW keeps a cool
// 50 degF against the ventilation.
func chlorineRoom() room {
	return room{temp: 9.6, heating: true, capacity: 6e6, loss: 150 + airHeat*ventilation, heater: 15e3, on: 9.4, off: 10.6}
}

// wellhouse is the heat of the small wellhouse.
func wellhouse() room {
	return room{temp: 13, capacity: 8e5, loss: 60, heater: 1500, on: 12.5, off: 13.5}
}

// gasRoom is the chlorine, g, in the air of two zones that mix: near the leak,
// where gas-1 hangs, and the rest, where gas-2 does.
type gasRoom struct {
	near, far         float64
	released, removed float64 // g ever
}

const (
	nearVolume = 0.4 * roomVolume
	farVolume  = 0.6 * roomVolume
	// Half of the ventilation passes each zone; as much again is exchanged
	// between them, so that the far zone comes to half of the near one.
	throughEach = ventilation / 2
	exchange    = ventilation / 2
)

// step advances by dt seconds with a leak of g/s in the near zone.
func (g *gasRoom) step(dt, leak float64) {
	near, far := g.near/nearVolume, g.far/farVolume
	across := exchange * (near - far)
	g.near += (leak - throughEach*near - across) * dt
	g.far += (across - throughEach*far) * dt
	g.released += leak * dt
	g.removed += throughEach * (near + far) * dt
}

// ppm is the concentration in the two zones.
func (g *gasRoom) ppm() (near, far float64) {
	return g.near / nearVolume / gasPerPPM, g.far / farVolume / gasPerPPM
}
