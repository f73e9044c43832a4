package supply

import (
	"math"
	"time"
)

// Numbers of the demand that is foreseen; own study.
const (
	weekHours     = 7 * 24
	profileDays   = 28
	aheadHours    = 21 * 24
	firstDay      = 24   // hours to learn before the profile is used
	levelWeight   = 0.6  // of what the last day was above the week
	levelHours    = 36.0 // in which that fades
	recentHours   = 6    // that show a draw which no profile knows
	recentShare   = 0.3  // of the demand; less is no sign of one
	usualScatter  = 0.06 // of the totals of days, ...
	usualDays     = 3.0  // as if seen on so many
	dayKindDays   = 2.0  // the same for the ratio of day kinds
	hourScatter   = 0.1  // of an hour
	dayMemory     = 1.5  // days in which a day's level fades
	emptyQuantile = 1.83 // of the time to empty, 90 % with a scatter learnt from days
)

// profile is the demand learnt by hour of day and day kind. Memory is constant.
type profile struct {
	zone     *time.Location
	works    func(time.Time) bool
	hours    [weekHours]hourDemand
	count    int // hours known so far
	days     [profileDays]dayDemand
	dayCount int
	open     hourDemand
	minutes  float64
	began    time.Time // of the open hour
	today    dayDemand
	ahead    [aheadHours + 1]float64 // kg drawn since ahead began, by whole hours
	aheadAt  time.Time
	mean     float64 // kg/s, after the end of ahead
	scatter  float64
	peak     float64 // kg/s, the greatest hour of the coming day
	ordered  ordered
}

type hourDemand struct {
	hour uint8
	rest bool    // nobody works
	flow float64 // m³/s, zero when not measured
	mass float64 // kg/s
}

type dayDemand struct {
	rest        bool
	mass, hours float64
}

func newProfile(zone *time.Location, works func(time.Time) bool) profile {
	if zone == nil {
		zone = time.UTC
	}
	if works == nil {
		works = func(t time.Time) bool { d := t.Weekday(); return d != time.Saturday && d != time.Sunday }
	}
	return profile{zone: zone, works: works, scatter: usualScatter}
}

// add takes one minute; known is false when its demand is not known. It reports
// that an hour has ended.
func (p *profile) add(at time.Time, flow, mass float64, known bool) bool {
	local := at.In(p.zone)
	ended := false
	if hour := uint8(local.Hour()); p.began.IsZero() || hour != p.open.hour || at.Sub(p.began) >= time.Hour {
		ended = p.close(local)
		p.open, p.minutes, p.began = hourDemand{hour: hour, rest: !p.works(local)}, 0, at
	}
	if known {
		p.open.flow += flow
		p.open.mass += max(0, mass)
		p.minutes++
	}
	return ended
}

// close ends an hour; one that is mostly unknown leaves no trace.
func (p *profile) close(next time.Time) bool {
	if p.minutes >= 40 {
		p.open.flow /= p.minutes
		p.open.mass /= p.minutes
		p.hours[p.count%weekHours] = p.open
		p.count++
		p.today.mass += p.open.mass
		p.today.hours++
		p.today.rest = p.open.rest
	}
	if next.Hour() < int(p.open.hour) {
		if p.today.hours >= 20 {
			p.days[p.dayCount%profileDays] = p.today
			p.dayCount++
		}
		p.today = dayDemand{}
	}
	return !p.began.IsZero()
}

// learning reports that less than a day is known.
func (p *profile) learning() bool { return p.count < firstDay }

// restShare is what a day of rest takes of a working day, and the scatter of days.
func (p *profile) restShare() (share, scatter float64) {
	var sum, n [2]float64
	days := p.days[:min(p.dayCount, profileDays)]
	for _, d := range days {
		sum[kindOf(d.rest)] += d.mass / d.hours
		n[kindOf(d.rest)]++
	}
	share = 1
	if n[0] > 0 && n[1] > 0 && sum[0] > 0 {
		share = (n[1]*(sum[1]/n[1])/(sum[0]/n[0]) + dayKindDays) / (n[1] + dayKindDays)
	}
	if len(days) < 2 {
		return share, usualScatter
	}
	level := func(d dayDemand) float64 {
		if d.rest {
			return d.mass / d.hours / share
		}
		return d.mass / d.hours
	}
	var mean, square2 float64
	for _, d := range days {
		mean += level(d) / float64(len(days))
	}
	if mean <= 0 {
		return share, usualScatter
	}
	for _, d := range days {
		square2 += square(level(d)/mean - 1)
	}
	return share, math.Sqrt((square2 + usualDays*square(usualScatter)) / (float64(len(days)-1) + usualDays))
}

func kindOf(rest bool) int {
	if rest {
		return 1
	}
	return 0
}

// foresee lays out the demand of the coming weeks from an hour on. perFlow is the
// chlorine that a unit of water takes now, in kg/m³, zero when not known; extra is
// a draw that no feed explains, in kg/s.
func (p *profile) foresee(at time.Time, perFlow, extra float64) {
	share, scatter := p.restShare()
	p.scatter = scatter
	known := min(p.count, weekHours)
	value := func(h hourDemand) float64 {
		v := h.mass
		if perFlow > 0 && h.flow > 0 {
			v = h.flow * perFlow
		}
		return v
	}
	var sum, n [24]float64
	var all float64
	for i := range known {
		h := p.hours[i]
		v := value(h)
		if h.rest {
			v /= share
		}
		sum[h.hour] += v
		n[h.hour]++
		all += v
	}
	for h := range sum {
		if n[h] > 0 {
			sum[h] /= n[h]
		} else {
			sum[h] = all / float64(known) // an hour that was never seen
		}
	}
	expected := func(h uint8, rest bool) float64 {
		if rest {
			return sum[h] * share
		}
		return sum[h]
	}
	ratio := func(hours int) float64 {
		var was, should float64
		for i := range min(hours, known) {
			h := p.hours[(p.count-1-i)%weekHours]
			was += value(h)
			should += expected(h.hour, h.rest)
		}
		if should <= 0 {
			return 1
		}
		return was / should
	}
	day := ratio(24)
	level := levelWeight * (day - 1)
	lately := ratio(recentHours) / max(day, 0.1)
	if lately > 1+recentShare {
		// Drawn as the profile has never seen it: it goes on.
		level, day = ratio(recentHours)-1, 0
	}
	fade := math.Exp(-1 / levelHours)
	if day == 0 {
		fade = 1
	}
	// The first hour is the one that has just begun.
	local := at.In(p.zone)
	p.aheadAt = at
	var total, week float64
	for k := range aheadHours {
		next := local.Add(time.Duration(k) * time.Hour)
		rest := p.open.rest
		if k > 0 {
			rest = !p.works(next)
		}
		rate := max(0, expected(uint8(next.Hour()), rest)*(1+level)) + extra
		level *= fade
		total += rate * 3600
		p.ahead[k+1] = total
		if k == aheadHours-weekHours-1 {
			week = total
		}
	}
	p.peak = 0
	for k := range 24 {
		p.peak = max(p.peak, (p.ahead[k+1]-p.ahead[k])/3600)
	}
	p.mean = (total - week) / (weekHours * 3600)
}

// drawn is what will have been drawn at a time, in kg since ahead began.
func (p *profile) drawn(at time.Time) float64 {
	hours := max(0, at.Sub(p.aheadAt).Hours())
	k := int(hours)
	if k >= aheadHours {
		return p.ahead[aheadHours] + (hours-aheadHours)*3600*p.mean
	}
	return p.ahead[k] + (hours-float64(k))*(p.ahead[k+1]-p.ahead[k])
}

// until is how many seconds an amount lasts from a time on.
func (p *profile) until(at time.Time, amount float64) float64 {
	if amount <= 0 {
		return 0
	}
	target := p.drawn(at) + amount
	passed := at.Sub(p.aheadAt).Seconds()
	if target >= p.ahead[aheadHours] {
		if p.mean <= 0 {
			return MaxTimeToEmpty
		}
		return min(MaxTimeToEmpty, aheadHours*3600+(target-p.ahead[aheadHours])/p.mean-passed)
	}
	low, high := 0, aheadHours // ahead[low] <= target < ahead[high]
	for high-low > 1 {
		if mid := (low + high) / 2; p.ahead[mid] <= target {
			low = mid
		} else {
			high = mid
		}
	}
	return (float64(low)+(target-p.ahead[low])/(p.ahead[high]-p.ahead[low]))*3600 - passed
}

// lasts is how long an amount lasts with its 90 % interval, in seconds. The demand
// of the coming days is what is least known: their levels are alike, so that a week
// tells as much as two days of their own. What the last day has told of the level
// fades. sd is that of the amount, in kg.
func (p *profile) lasts(at time.Time, amount, sd float64) (value, low, high float64) {
	value = p.until(at, amount)
	x := value / secondsPerDay
	if x <= 0 {
		return 0, 0, 0
	}
	perDay := amount / x
	alike := math.Exp(-x / dayMemory)
	days := 2*dayMemory*dayMemory*(x/dayMemory-1+alike)*(1-levelWeight*levelWeight*alike) + x*x/2*square(1-levelWeight*alike)
	v := sd*sd + square(p.scatter*perDay)*days + square(hourScatter*perDay/24)*24*x
	half := emptyQuantile * math.Sqrt(v)
	return value, p.until(at, amount-half), p.until(at, amount+half)
}
