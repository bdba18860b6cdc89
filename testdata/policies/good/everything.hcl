# Every block and attribute of the language, and every function.

variable "net" {
  value = "192.0.2"
}

variable "both" {
  value = concat(["left"], ["right"])
}

variable "key" {
  value = secret(join("-", ["ssh", "key"]))
}

variable "watts" {
  value = max(12, min(85.2, 90))
}

site "everything" {
  ride_through  = "1m15s"
  reserve       = "1.5m"
  confidence    = 0.9001
  stops_at_once = 4
  restore {
    stable_for = "10m"
    stagger    = "2500ms"
  }
  traps {
    listen    = ":162"
    community = secret("traps")
  }
  sign_of_life {
    url         = "https://alive.example/${secret("sign")}"
    failure_url = secret("sign-of-failure")
    every       = "2m"
  }
}

circuit "panel" {
  volts         = 120
  amps          = 30
  lines         = 2
  breaker       = "100%"
  wire          = "10 AWG"
  length_feet   = 32.8084
  other_watts   = 100
}

circuit "plain" {
  volts         = 230
  amps          = 16
  length_metres = 12.5
}

pdu "left-strip" {
  fed_by = "left"
  amps   = 30
  lines  = 2
}

pdu "raw" {
  fed_by = "plain"
  amps   = 16
}

ups "left" {
  circuit        = "panel:L1-L2"
  normal_efficiency = 0.93
  class          = "VFI"
  rated_watts    = 2700
  rated_va       = 3000
  overhead_watts = 60.2
  efficiency     = 0.8888
  battery {
    chemistry          = "vrla"
    volts              = 72
    amp_hours          = 9.5
    installed          = "2025-03-01"
    design_years       = 10
    temperature        = -5
    recharge_hours     = 6.5
    end_volts_per_cell = 1.75
    chart = {
      2700.9 = "4m"
      "675"  = "29m"
      "1350" = "12m"
    }
  }
  snmp {
    address    = "[2001:db8::10]:1161"
    version    = "3"
    user       = upper("ebbline")
    auth       = "SHA512"
    auth_key   = secret("left-auth")
    priv       = "AES256"
    priv_key   = secret("left-priv")
    poll_every = "1s"
    timeout    = "800ms"
    scale      = { upsOutputPower = 10, "upsBatteryVoltage" = 0.1 }
    missing    = ["upsSecondsOnBattery", "upsBatteryTemperature"]
    delay_step = "1m"
  }
  output {
    cut_after    = "3m"
    return_after = "1m"
  }
}

ups "right" {
  class       = "VFD"
  rated_watts = 1999.5
  battery {
    chemistry = "lfp"
    installed = "2024-02-29"
    model {
      store_watt_hours = 312
      ohmic            = "9m"
      diffusion        = "64m"
      relaxation       = "90m"
      fitted           = "2025-09-01"
    }
  }
  snmp {
    address         = "ups.example:161"
    version         = "2c" # WARNING: SNMP without keys
    community       = secret("right-read")
    write_community = secret("right-write")
  }
}

ups "usb" {
  class       = "VI"
  rated_watts = 900
  battery {
    chemistry = "lfp"
    volts     = 24
    amp_hours = 20
    installed = "2024-02-29"
    chart     = { "450" = "40m" }
  }
  hid {
    path = "/dev/hidraw0"
  }
  output {
    cut_after    = "2m"
    return_after = "30s"
  }
}

load "switch" {
  fed_by = var.both
  watts  = 24.01
}

host "hyper" {
  priority       = 60
  fed_by         = var.both
  watts          = 300.5
  nameplate_watts = 450
  power_factor   = 0.98
  inrush_amps    = 35.5
  plugged_into   = ["left-strip:L2", "raw"]
  stopping_watts = 320
  keep_for       = "10m"
  stops_in       = "2m"
  gives_up       = "4m"
  starts_in      = "5m"
  depends_on     = ["switch", "router", "disks"]
  prepare {
    command  = "sync"
    ahead    = "3m"
    gives_up = "2m"
  }
  wake {
    ethernet = "02-00-00-00-AB-20"
    to       = "192.0.2.255:9"
  }
  ssh {
    address     = format("%s.%d", var.net, 20)
    user        = lower("EBBLINE")
    key         = var.key
    known_hosts = "/etc/ebbline/known_hosts"
    command     = "sudo systemctl poweroff"
  }
  bmc {
    protocol    = "redfish"
    address     = "${var.net}.120"
    user        = "ebbline"
    password    = secret("hyper-bmc")
    certificate = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
    system      = "1"
    gives_up    = "3m"
  }
  bmc {
    protocol = "redfish"
    address  = "${var.net}.120"
    user     = "ebbline"
    password = secret("hyper-bmc")
    system   = "1"
    force    = true
  }
  outlet {
    protocol    = "redfish"
    address     = "pdu.example"
    user        = "ebbline"
    password    = secret("pdu")
    certificate = "SHA256:56:5C:67:98:DC:F5:AE:C6:74:7B:3A:F3:1A:0B:04:0D:52:1D:65:83:F1:52:51:A1:74:A5:0B:31:59:0E:9C:61"
    name        = "A7"
  }
  probe {
    address   = "192.0.2.20:8006"
    quiet_for = "20s"
  }
}

host "guest" {
  priority   = 50
  runs_on    = "hyper"
  watts      = 40.5
  stops_in   = "45s"
  depends_on = ["hyper"]
  ssh {
    address  = "guest.example"
    user     = "ebbline"
    key      = var.key
    host_key = "SHA256:VlxnmNz1rsZ0ezrzGgsEDVIdZYPxUlGhdKULMVkOnGE"
  }
  start {
    command = "sudo systemctl start guest"
  }
}

host "nested" {
  priority = 40
  runs_on  = "guest"
  watts    = 10
  stops_in = "20s"
  ssh {
    address     = "nested.example"
    user        = "ebbline"
    key         = var.key
    known_hosts = "/etc/ebbline/known_hosts"
    gives_up    = "50s"
  }
}

host "disks" {
  priority = 70
  keep_for = "12m"
  fed_by   = ["right", "left"]
  watts    = var.watts
  stops_in = "20s"
  bmc {
    protocol = "ipmi"
    address  = "${var.net}.121"
    user     = "ebbline"
    password = secret("disks-bmc")
    suites   = [17]
  }
  outlet {
    protocol          = "snmp"
    address           = "${var.net}.50"
    version           = "1"
    community         = secret("pdu-read")
    write_community   = secret("pdu-write")
    timeout           = "2s"
    oid               = ".1.3.6.1.2.1.105.1.1.1.3.1.1"
    off               = 2
    on                = 1
    read_oid          = "1.3.6.1.2.1.105.1.1.1.6.1.1"
    off_reading       = 1
    gives_up          = "10s"
  }
}

host "router" {
  stays_up = true
  fed_by   = var.both
  watts    = 9
}

host "gate" {
  self     = true
  priority = 100
  fed_by   = ["usb"]
  watts    = 6
  stops_in = "20s"
  local {
    command  = ["systemctl", "poweroff"]
    gives_up = "1m"
  }
}

message "chat" {
  severity = "critical"
  gives_up = "12h"
  webhook {
    url     = "https://hooks.example/T/${secret("hook")}?site=${var.net}"
    headers = {
      X-Key  = secret("hook-key")
      Accept = "application/json"
    }
    template     = <<-EOT
      {{.Site}}: {{.Title}}
      EOT
    content_type = "text/plain"
    certificate  = "SHA256:AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
  }
}

message "post" {
  mail {
    server   = "mail.example:465"
    from     = "ebbline@example.org"
    to       = ["operator@example.org", "night@example.org"]
    user     = "ebbline"
    password = secret("mail")
    tls      = "implicit"
  }
}

message "lamp" {
  codes   = ["outage-over", "input-lost"]
  command = ["/usr/local/bin/lamp", "--red"]
}
