package load
import ("testing";"strings";"time";"fmt";"runtime")
func TestScale(t *testing.T){
 r:=strings.Repeat
 for name,f:=range map[string]func(n int)string{
  "parts":func(n int)string{return "site \"${"+r("x}${",n)+"x}\" {\n}\nvariable \"a\" {\n value = \""+r("${1}",n)+"\"\n}\n"},
  "tuple":func(n int)string{return "variable \"a\" {\n value = ["+r("1,",n)+"]\n}\n"},
  "object":func(n int)string{return "variable \"a\" {\n value = {"+r("a=1,",n)+"}\n}\n"},
  "args":func(n int)string{return "variable \"a\" {\n value = max("+r("1,",n)+"1)\n}\n"},
  "heredoc closed":func(n int)string{return "variable \"a\" {\n value = <<A\n"+r("x\n",n)+"A\n}\n"},
  "heredoc indent":func(n int)string{return "variable \"a\" {\n value = <<-A\n"+r("  x\n",n)+"A\n}\n"},
  "heredoc open":func(n int)string{return "variable \"a\" {\n value = <<A\n"+r("x\n",n)},
  "comments":func(n int)string{return r("# x\n",n)},
  "inline":func(n int)string{return r("/**/",n)},
  "closers":func(n int)string{return r("}",n)},
  "closers nl":func(n int)string{return r("}\n",n)},
  "openclose":func(n int)string{return r("{}",n)},
  "blocks":func(n int)string{return r("host \"a\" {}\n",n)},
  "blocks one line":func(n int)string{return r("host \"a\" {} ",n)},
  "nested blocks":func(n int)string{return "host \"a\" {\n"+r("ssh {}\n",n)+"}\n"},
  "esc":func(n int)string{return "variable \"a\" {\n value = \""+r("\\q",n)+"\"\n}\n"},
  "esc ok":func(n int)string{return "variable \"a\" {\n value = \""+r("\\n",n)+"\"\n}\n"},
  "dollar":func(n int)string{return "variable \"a\" {\n value = \""+r("$$",n)+"\"\n}\n"},
  "dollarbrace":func(n int)string{return "variable \"a\" {\n value = \""+r("$${",n)+"\"\n}\n"},
  "label":func(n int)string{return "host \""+r("a",n)+"\" {\n}\n"},
  "label esc":func(n int)string{return "host \""+r("\\q",n)+"\" {\n}\n"},
  "label tmpl":func(n int)string{return "host \""+r("${x}",n)+"\" {\n}\n"},
  "combining":func(n int)string{return "variable \"a\" {\n value = \"a"+r("\u0301",n)+"\"\n}\n"},
  "combining2":func(n int)string{return "variable \"a\" {\n value = \""+r("a\u0301",n)+"\"\n}\n"},
  "ident":func(n int)string{return "a"+r("\u0301",n)+" = 1\n"},
  "quote open":func(n int)string{return r("\"",n)+"\n"},
  "strings":func(n int)string{return r("\"\"",n)+"\n"},
  "strings nl":func(n int)string{return r("a \"\n",n)},
  "ternary nl":func(n int)string{return r("a = b ? c\n",n)},
  "curly":func(n int)string{return r("“",n)},
  "backtick":func(n int)string{return r("`",n)},
  "tabs":func(n int)string{return r("\t",n)+"x"},
  "cr":func(n int)string{return r("\r",n)+"x"},
  "rtl":func(n int)string{return r("\u202e",n)+"x"},
  "dots":func(n int)string{return "variable \"a\" {\n value = a"+r(".b",n)+"\n}\n"},
  "dots rel":func(n int)string{return "variable \"a\" {\n value = f()"+r(".b",n)+"\n}\n"},
  "dots num":func(n int)string{return "variable \"a\" {\n value = f()"+r(".1",n)+"\n}\n"},
  "groups":func(n int)string{var b strings.Builder; for i:=range n/20 {fmt.Fprintf(&b,"group \"g%d\" {\n group=\"g%d\"\n}\n",i,i+1)}; return b.String()},
  "unknown refs":func(n int)string{var b strings.Builder; for i:=range n/60 {fmt.Fprintf(&b,"host \"host-number-%06d\" {\n depends_on=[\"hast-namber-%06d\"]\n}\n",i,i)}; return b.String()},
  "attrs":func(n int)string{return "host \"a\" {\n"+attributesUpTo(n/8)+"}\n"},
  "dup attrs":func(n int)string{return "host \"a\" {\n"+r("watts=1\n",n/8)+"}\n"},
  "ring":func(n int)string{var b strings.Builder; k:=min(n/60,20000); for i:=range k {fmt.Fprintf(&b,"host \"h%d\" {\n depends_on=[\"h%d\"]\n}\n",i,(i+1)%k)}; return b.String()},
 }{
  var prev time.Duration
  for _,n:=range []int{50000,100000,200000}{
   src:=f(n)
   if len(src)>maxFileBytes {continue}
   t0:=time.Now(); Load(one("site \"s\" {\n}\n"+src),Options{}); d:=time.Since(t0)
   if d>300*time.Millisecond || prev>0 && d>3*prev && d>50*time.Millisecond { var m runtime.MemStats; runtime.ReadMemStats(&m); t.Logf("%-16s n=%d %8d bytes %v (x%.1f) heapsys %d MB",name,n,len(src),d.Round(time.Millisecond),float64(d)/float64(max(prev,1)),m.HeapSys>>20)}
   prev=d
   if d>8*time.Second {break}
  }
 }
}
