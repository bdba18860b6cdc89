site "room" {
  ride_through = "5s"
  reserve      = "5s"
  restore {
    stable_for = "3s"
    stagger    = "1s"
  }
}

ups "rack" {
  rated_watts    = 2700
  overhead_watts = 1
  battery {
    chemistry = "lfp"
    volts     = 24
    amp_hours = 13
    model {
      store_watt_hours = 300
      ohmic            = "1s"
      diffusion        = "0s"
      relaxation       = "1m"
    }
    recharge_hours = 0.1
  }
  snmp {
    address    = var.card
    version    = "3"
    user       = "sha256-aes"
    auth_key   = secret("ups-auth")
    priv_key   = secret("ups-priv")
    poll_every = "1s"
    timeout    = "1s"
  }
}

group "hosts" {
  fed_by    = ["rack"]
  stops_in  = "3s"
  gives_up  = "15s"
  starts_in = "20s"
  probe { quiet_for = "2s" }
  ssh {
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "known_hosts"
    command     = var.power_off
  }
}

# Goes as soon as the ride-through is over: nas could not have its two hours else.
host "lab" {
  group    = "hosts"
  priority = 10
  watts    = 100
  ssh { address = var.lab }
  wake {
    ethernet = var.lab_ethernet
    to       = var.broadcast
  }
}

# Stays up for as long as the test takes.
host "nas" {
  group    = "hosts"
  priority = 90
  watts    = 80
  keep_for = "2h"
  ssh { address = var.nas }
  wake {
    ethernet = var.nas_ethernet
    to       = var.broadcast
  }
}

host "board" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 20
  stops_in = "5s"
  local { command = ["/usr/bin/touch", "/var/lib/ebbline/stopped"] }
}
