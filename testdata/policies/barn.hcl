# A barn with one rack and one shelf, each with a UPS of its own. The storage,
# the switch and the agent's board have two supplies, one on each.

variable "net" {
  value = "192.0.2"
}

site "barn" {
  ride_through = "75s" # nobody stops before this unless the battery cannot carry it
  reserve      = "90s" # battery time never planned away
  confidence   = 0.95  # how sure the plan must be that the battery lasts
  restore {
    stable_for = "5m"  # input good this long before anything starts
    stagger    = "10s" # between starts on one UPS
  }
  traps {
    listen    = "${var.net}.5:162"
    community = secret("trap-community")
  }
}

ups "rack" {
  class          = "VFI" # IEC 62040-3
  rated_watts    = 2700
  rated_va       = 3000
  overhead_watts = 60 # what the UPS itself takes from its battery
  efficiency     = 0.88
  battery {
    chemistry = "vrla"
    volts     = 72 # nominal, whole string
    amp_hours = 9  # 20-hour rating
    installed = "2025-03-01"
    chart     = { "675" = "29m", "1350" = "12m", "2700" = "4m" } # the maker's, watts to time
  }
  snmp {
    address  = "${var.net}.10"
    version  = "3"
    user     = "ebbline"
    auth_key = secret("ups-auth")
    priv_key = secret("ups-priv")
  }
  output {
    cut_after    = "3m"
    return_after = "1m"
  }
}

ups "shelf" {
  class       = "VI"
  rated_watts = 900
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2024-11-15"
    chart     = { "450" = "14m", "900" = "4m30s" } # its data sheet: half and full load
  }
  hid {
    serial = "S1042"
  }
}

load "core-switch" {
  fed_by = ["rack", "shelf"]
  watts  = 24
}

load "radio" {
  fed_by = ["rack"]
  watts  = 12
}

# What all guests share.
group "guests" {
  stops_in = "45s"
  ssh {
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
    command     = "sudo systemctl poweroff"
  }
}

host "vault" {
  priority   = 90 # higher is kept longer
  fed_by     = ["rack", "shelf"]
  watts      = 85
  keep_for   = "20m" # time on battery promised to it, if the battery can
  stops_in   = "3m"
  gives_up   = "5m" # after that the next method
  depends_on = ["core-switch"]
  ssh {
    address  = "${var.net}.20"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
    command  = "sudo systemctl poweroff"
  }
  bmc {
    protocol = "ipmi"
    address  = "${var.net}.120"
    user     = "ebbline"
    password = secret("vault-bmc")
    force    = true
  }
  wake {
    ethernet = "02:00:00:00:00:20"
  }
}

host "press" {
  priority   = 60
  fed_by     = ["rack"]
  watts      = 310 # its guests' share among it
  keep_for   = "10m"
  stops_in   = "2m"
  depends_on = ["vault", "core-switch"]
  ssh {
    address  = "${var.net}.30"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:VlxnmNz1rsZ0ezrzGgsEDVIdZYPxUlGhdKULMVkOnGE"
    command  = "sudo systemctl poweroff"
  }
  bmc {
    protocol = "redfish"
    address  = "${var.net}.130"
    user     = "ebbline"
    password = secret("press-bmc")
  }
}

host "mail" {
  group    = "guests"
  priority = 50
  runs_on  = "press"
  watts    = 40
  keep_for = "10m"
  ssh {
    address = "${var.net}.31"
  }
  start {
    command = "sudo systemctl start guest-mail"
  }
}

host "wiki" {
  group      = "guests"
  priority   = 30
  runs_on    = "press"
  watts      = 35
  depends_on = ["mail"]
  ssh {
    address = "${var.net}.32"
  }
  start {
    command = "sudo systemctl start guest-wiki"
  }
}

host "bench" {
  priority       = 10
  fed_by         = ["shelf"]
  watts          = 140.5
  stopping_watts = 160
  stops_in       = "40s"
  prepare {
    command = "sudo systemctl stop builds"
    ahead   = "2m"
  }
  ssh {
    address     = "${var.net}.40"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
    command     = "sudo systemctl poweroff"
  }
  wake {
    ethernet = "02:00:00:00:00:40"
  }
}

# The agent runs here, so it goes last.
host "gate" {
  self     = true
  priority = 100
  fed_by   = ["rack", "shelf"]
  watts    = 8
  stops_in = "30s"
  gives_up = "90s"
  local {
    command = ["systemctl", "poweroff"]
  }
}
