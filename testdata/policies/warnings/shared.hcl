# What a group says may be risky for one of its hosts: the warning stands at
# that host.

site "barn" {
}

ups "rack" {
  rated_watts = 900
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    serial = "1"
  }
  output {
    cut_after    = "5m"
    return_after = "1m"
  }
}

ups "shelf" {
  rated_watts = 900
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    serial = "2"
  }
}

load "switch" {
  fed_by = ["shelf"]
  watts  = 24
}

group "servers" {
  priority   = 10
  keep_for   = "5m"
  gives_up   = "1m"
  fed_by     = ["rack"]
  watts      = 50
  depends_on = ["switch"]
  ssh {
    address     = "192.0.2.30"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "a" { # WARNING: Priority below a dependent's # WARNING: Promise below a dependent's # WARNING: Needed on another feed
  group    = "servers"
  stops_in = "30s"
}

host "b" { # WARNING: Priority below a dependent's # WARNING: Promise below a dependent's # WARNING: Needed on another feed # WARNING: Gives up before it is stopped # WARNING: One address for two
  group    = "servers"
  stops_in = "3m"
}

host "c" { # WARNING: One address for two
  group      = "servers"
  priority   = 20
  keep_for   = "6m"
  fed_by     = ["shelf"]
  stops_in   = "30s"
  depends_on = ["a", "b"]
  wake {
    ethernet = "02:00:00:00:00:30"
  }
}

host "gate" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 8
  stops_in = "30s"
  local {
    command = ["systemctl", "poweroff"]
  }
}
