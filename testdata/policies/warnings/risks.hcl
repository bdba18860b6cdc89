# Allowed, and risky.

site "barn" { # WARNING: No own host
  ride_through = "5s"  # WARNING: Short ride-through
  reserve      = "20s" # WARNING: Short reserve
}

ups "rack" {
  rated_watts = 500 # WARNING: High load
  battery { # WARNING: Battery age unknown
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
  }
  snmp {
    address = "192.0.2.10"
    version = "2c" # WARNING: SNMP without keys
  }
  output {
    cut_after    = "2m"
    return_after = "1m"
  }
}

ups "shelf" { # WARNING: UPS not read
  rated_watts = 900
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-03-01"
  }
}

load "switch" {
  fed_by = ["rack"]
  watts  = 24
}

host "router" {
  stays_up   = true
  fed_by     = ["shelf"]
  watts      = 10
  depends_on = ["switch"] # WARNING: Needed on another feed
}

host "vault" {
  priority   = 40    # WARNING: Priority below a dependent's
  keep_for   = "10m" # WARNING: Promise below a dependent's
  fed_by     = ["rack", "shelf"]
  watts      = 85
  stops_in   = "3m"
  gives_up   = "2m"     # WARNING: Gives up before it is stopped
  depends_on = ["switch"] # WARNING: Needed on another feed
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "press" {
  priority   = 60
  keep_for   = "20m"
  fed_by     = ["rack"]
  watts      = 300
  stops_in   = "1m"
  depends_on = ["vault", "router"] # WARNING: Needed on another feed
  ssh {
    address     = "192.0.2.30"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
    gives_up    = "30s" # WARNING: Gives up before it is stopped
  }
  bmc {
    protocol = "redfish"
    address  = "http://192.0.2.130:8000" # WARNING: Weak cryptography
    user     = "ebbline"
    password = secret("press-bmc")
    force    = true
    gives_up = "10s" # forced: it need not wait for the host
  }
}

host "bench" { # WARNING: Stopping time assumed # WARNING: No way back
  priority = 10
  fed_by   = ["shelf"]
  watts    = 140
  ssh {
    address     = "192.0.2.40"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "guest" {
  priority = 10
  runs_on  = "bench"
  watts    = 30
  stops_in = "1m"
  ssh {
    address     = "192.0.2.41"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}
