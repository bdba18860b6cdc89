package plan

// ranking keeps hosts by what their next step is worth, the best first; of two that are
// alike the first in the list.
type ranking struct {
	heap []int32
	at   []int32 // of a host: its place in the heap, or -1
	key  []float64
}

// reset empties the ranking, for so many hosts.
func (r *ranking) reset(n int) {
	r.heap, r.at, r.key = r.heap[:0], resize(r.at, n), resize(r.key, n)
	for i := range r.at {
		r.at[i] = -1
	}
}

// best is the first host, or -1.
func (r *ranking) best() int32 {
	if len(r.heap) == 0 {
		return -1
	}
	return r.heap[0]
}

// set gives a host its key, and its place.
func (r *ranking) set(i int32, key float64) {
	r.key[i] = key
	if r.at[i] < 0 {
		r.at[i] = int32(len(r.heap))
		r.heap = append(r.heap, i)
	}
	r.rise(int(r.at[i]))
	r.sink(int(r.at[i]))
}

// drop takes a host out.
func (r *ranking) drop(i int32) {
	k := int(r.at[i])
	if k < 0 {
		return
	}
	end := len(r.heap) - 1
	r.swap(k, end)
	r.heap, r.at[i] = r.heap[:end], -1
	if k < end {
		r.rise(k)
		r.sink(k)
	}
}

func (r *ranking) before(a, b int) bool {
	i, j := r.heap[a], r.heap[b]
	if r.key[i] != r.key[j] {
		return r.key[i] > r.key[j]
	}
	return i < j
}

func (r *ranking) swap(a, b int) {
	r.heap[a], r.heap[b] = r.heap[b], r.heap[a]
	r.at[r.heap[a]], r.at[r.heap[b]] = int32(a), int32(b)
}

func (r *ranking) rise(k int) {
	for k > 0 && r.before(k, (k-1)/2) {
		r.swap(k, (k-1)/2)
		k = (k - 1) / 2
	}
}

func (r *ranking) sink(k int) {
	for {
		first := k
		for c := 2*k + 1; c <= 2*k+2 && c < len(r.heap); c++ {
			if r.before(c, first) {
				first = c
			}
		}
		if first == k {
			return
		}
		r.swap(k, first)
		k = first
	}
}
