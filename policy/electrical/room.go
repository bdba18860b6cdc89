package electrical

import "math"

// Heat of air and of what stands in a room.
const (
	airDensity = 1.2    // kg/m³
	airHeat    = 1005.0 // J/kg K
	SteelHeat  = 490.0  // J/kg K
)

// Room is a room as one store of heat: what warms with it, and what it loses for
// each degree above its surroundings.
type Room struct {
	JoulesPerKelvin float64
	WattsPerKelvin  float64 // 0 loses nothing
}

// AirRoom is a room of so many cubic metres in which so many kilograms of steel
// take part. Only a part of the mass does in the first minutes.
func AirRoom(cubicMetres, steelKg, wattsPerKelvin float64) Room {
	return Room{airDensity*airHeat*cubicMetres + SteelHeat*steelKg, wattsPerKelvin}
}

// Rate is how fast it warms at first, in kelvin a minute.
func (r Room) Rate(watts float64) float64 { return watts / r.JoulesPerKelvin * 60 }

// TimeConstant is in minutes; infinite where nothing is lost.
func (r Room) TimeConstant() float64 { return r.JoulesPerKelvin / r.WattsPerKelvin / 60 }

// Final is the rise in kelvin in the end; infinite where nothing is lost.
func (r Room) Final(watts float64) float64 { return watts / r.WattsPerKelvin }

// Minutes is how long it takes to rise by so many kelvin from the temperature of
// its surroundings; infinite where it never does (ASHRAE Transactions 117-1, 2011,
// for the form).
func (r Room) Minutes(watts, kelvin float64) float64 {
	if r.WattsPerKelvin == 0 {
		return kelvin / r.Rate(watts)
	}
	part := kelvin / r.Final(watts)
	if part >= 1 {
		return math.Inf(1)
	}
	return -r.TimeConstant() * math.Log(1-part)
}
