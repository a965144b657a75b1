"""What is fetched, under which licence, and how each recording is used.

A *kit* is one recording family: nothing of one kit stands in both splits. Sound
sets that reuse the same recordings get the same kit. `LICENCE` repeats what the
package's own copyright file says.
"""

# package -> (registry, licence of the sounds as the package states it)
LICENCE = {
    "avldrums.lv2-soundfont": ("debian", "CC-BY-SA-3.0"),
    "hydrogen-data": ("debian", "GPL-2+"),
    "fluid-soundfont-gm": ("debian", "MIT"),
    "musescore-general-soundfont": ("debian", "MIT, marching drums CC0"),
    "timgm6mb-soundfont": ("debian", "GPL-2"),
    "freepats": ("debian", "GPL-2+ with exception for compositions"),
    "sonic-pi-samples": ("debian", "CC0-1.0"),
    "gcompris-qt-data": ("debian", "GPL-3+, single files CC-BY, CC-BY-SA, CC0 or public domain"),
    "tuxpaint-stamps-default": ("debian", "GPL-2"),
    "minetest-data": ("debian", "LGPL-2.1+, CC-BY-SA-3.0, CC-BY-3.0 or CC0 by file"),
    "searchandrescue-data": ("debian", "GPL"),
    "openarena-data": ("debian", "GPL-2+"),
    "lincity-ng-data": ("debian", "GPL-2+"),
    "ambience": ("pypi", "MIT (package licence)"),
    "onsen": ("pypi", "MIT (package licence)"),
    # Struck things for the ear alone (scripts/ear/pack.py).
    "lmms-common": ("debian", "GPL-2+, samples CC0 or GPL by file"),
    "neverball-data": ("debian", "GPL-2+"),
    "billard-gl-data": ("debian", "GPL-2+"),
    "pinball-data": ("debian", "GPL-2+"),
    # Kept from every fit, to measure on.
    "hydrogen-drumkits": ("debian", "GPL-2+, CC-BY-3.0, CC-BY-SA-3.0 or CC0 by kit"),
}

# kit -> split. Test kits are never used for fitting.
KIT_SPLIT = {
    "avl-black": "train", "gmrock": "train", "tr808": "train", "freepats": "train",
    "marching": "train", "temple": "train", "tabla": "train",
    "avl-red": "test", "fluid": "test", "timgm": "test", "sonic-drum": "test",
    "sonic-elec": "test", "extra": "test",
}

# Sample banks: package -> [(file glob, reader, [(name regex, kit, class, source, layer)])].
# `source` names one recorded object; `layer` orders its strikes from soft to hard.
# Both may refer to groups of the regex.
SHOTS = {
    "avldrums.lv2-soundfont": [
        ("**/sf2/Black_Pearl_4_LV2.sf2", "sf", [
            (r"38-PearlSnare-(\d)$", "avl-black", "centre", "snare", r"\1"),
            (r"40-PearlSnareEdge-(\d)$", "avl-black", "rim", "snare-edge", r"\1"),
            (r"37-SideStick-(\d)$", "avl-black", "rim", "side-stick", r"\1"),
            (r"41-Pearl16FloorTom-(\d)$", "avl-black", "centre", "floor-tom", r"\1"),
            (r"45-Pearl12Tom-(\d)$", "avl-black", "centre", "tom", r"\1"),
            (r"47-Pearl12TomEdge-(\d)$", "avl-black", "rim", "tom-edge", r"\1"),
            (r"39-HandClap-(\d)$", "avl-black", "clap", "clap", r"\1"),
        ]),
        ("**/sf2/Red_Zeppelin_4_LV2.sf2", "sf", [
            (r"38-PorkpieSnare-(\d)$", "avl-red", "centre", "snare", r"\1"),
            (r"40-PorkpieSnareEdg-(\d)$", "avl-red", "rim", "snare-edge", r"\1"),
            (r"37-Sidestick2-(\d)$", "avl-red", "rim", "side-stick", r"\1"),
            (r"45-Ludwig14Tom-(\d)$", "avl-red", "centre", "tom", r"\1"),
            (r"47-Ludwig14TomEdge-(\d)$", "avl-red", "rim", "tom-edge", r"\1"),
        ]),
    ],
    "hydrogen-data": [
        ("**/GMRockKit/*.wav", "file", [
            (r"Snare-(\w+)$", "gmrock", "centre", "snare", r"\1"),
            (r"(Tom1|Tom2|TomFloor)-(\w+)$", "gmrock", "centre", r"\1", r"\2"),
            (r"SnareRimshot-(\w+)$", "gmrock", "rim", "rimshot", r"\1"),
            (r"SideStick-(\w+)$", "gmrock", "rim", "side-stick", r"\1"),
            (r"HandClap$", "gmrock", "clap", "clap", "1"),
        ]),
        ("**/TR808EmulationKit/*.flac", "file", [
            (r"808_(Snare_\d|Tom_\w+)$", "tr808", "centre", r"\1", "1"),
            (r"808_Clave$", "tr808", "click", "clave", "1"),
            (r"808_Clap$", "tr808", "clap", "clap", "1"),
            (r"808_Conga$", "tr808", "pat", "conga", "1"),
        ]),
    ],
    "fluid-soundfont-gm": [
        ("**/FluidR3_GM.sf2", "sf", [
            (r"Std (Snr \d)\(L\)$", "fluid", "centre", r"std-\1", "1"),
            (r"(Snr \d)-(\d)\(L\)$", "fluid", "centre", r"\1", r"\2"),
            (r"(Power Snare \d|Orch Snare|Tom (?:Hi|Med|Low|Floor)|(?:High|Low) Timbale) ?\(L\)$",
             "fluid", "centre", r"\1", "1"),
            (r"(Rim Tap|Bongo Rim)\(L\)$", "fluid", "rim", r"\1", "1"),
            (r"(Sticks|Clave|Low Woodblock|High Woodblock)\((.)\)$", "fluid", "click", r"\1", "1"),
            (r"(Castanet|Metronome Click)$", "fluid", "click", r"\1", "1"),
            (r"Clap\((.)\)$", "fluid", "clap", "clap", "1"),
            (r"(High Conga|Closed Slap|Low Bongo)\(L\)$", "fluid", "pat", r"\1", "1"),
            (r"Slap$", "fluid", "pat", "slap", "1"),
        ]),
    ],
    "musescore-general-soundfont": [
        ("**/*.sf3", "sf", [
            (r"MSnr-hit (\d)$", "marching", "centre", "snare", r"\1"),
            (r"MTnr-(\w+) hit (\d)$", "marching", "centre", r"tenor-\1", r"\2"),
            (r"MBass-([2-5]) hit (\d)$", "marching", "centre", r"bass-\1", r"\2"),
            (r"MSnr-(rim|rim shot|shell) (\d)$", "marching", "rim", r"snare-\1", r"\2"),
            (r"MTnr-(\w+) rim (\d)$", "marching", "rim", "tenor-rim", r"\1\2"),
            (r"MBass-(\d) rim (\d)$", "marching", "rim", r"bass-rim-\1", r"\2"),
            (r"MSnr-stick click (\d)$", "marching", "click", "stick-click", r"\1"),
            (r"MSnr-stick shot (\d)$", "marching", "click", "stick-shot", r"\1"),
            (r"MTnr-mallet click (\d)$", "marching", "click", "mallet-click", r"\1"),
            (r"Temple Block (\d)-(p|mp|mf|f)$", "temple", "click", r"block-\1", r"\2"),
        ]),
    ],
    "timgm6mb-soundfont": [
        ("**/TimGM6mb.sf2", "sf", [
            (r"(Snare [12]|Acoustic Tom|Timbale Strike)$", "timgm", "centre", r"\1", "1"),
            (r"(Rim Shot|Timbale Rimshot|E Bongo Rim)$", "timgm", "rim", r"\1", "1"),
            (r"(Drum Stick|Wood Block|Rosewood Claves|Castanets|Met Click)$", "timgm", "click",
             r"\1", "1"),
            (r"Claps 808ish$", "timgm", "clap", "clap", "1"),
            (r"(QuintoClosedSlap|M Bongo Tone)$", "timgm", "pat", r"\1", "1"),
        ]),
    ],
    "freepats": [
        ("**/Drum_000/*.pat", "gus", [
            (r"0(38|40)_Snare_\d$", "freepats", "centre", r"snare-\1", "1"),
            (r"0(41|43|45|47|48|50)_Tom.*$", "freepats", "centre", r"tom-\1", "1"),
            (r"0(65|66)_Timbale.*$", "freepats", "centre", r"timbale-\1", "1"),
            (r"037_Stick_Rim$", "freepats", "rim", "stick-rim", "1"),
            (r"031_Sticks$", "freepats", "click", "sticks", "1"),
            (r"075_Claves$", "freepats", "click", "claves", "1"),
            (r"0(76|77)_Wood_Block.*$", "freepats", "click", r"block-\1", "1"),
            (r"039_Clap_Hand$", "freepats", "clap", "clap", "1"),
            (r"0(60|61|62|63|64)_.*$", "freepats", "pat", r"hand-\1", "1"),
        ]),
    ],
    "sonic-pi-samples": [
        ("**/*.flac", "file", [
            (r"drum_snare_(\w+)$", "sonic-drum", "centre", "snare", r"\1"),
            (r"drum_tom_(hi|mid|lo)_(\w+)$", "sonic-drum", "centre", r"tom-\1", r"\2"),
            (r"elec_(tick)$", "sonic-elec", "click", r"\1", "1"),
            (r"tbd_perc_tap_(\d)$", "sonic-elec", "click", r"tap-\1", "1"),
            (r"perc_(snap2?)$", "sonic-elec", "clap", r"\1", "1"),
            (r"tabla_(ghe)(\d)$", "tabla", "centre", r"\1", r"\2"),
            (r"tabla_(tun)(\d)$", "tabla", "centre", r"\1", r"\2"),
            (r"tabla_(na|na_o|na_s|tas\d)$", "tabla", "rim", r"\1", "1"),
            (r"tabla_(ke|te)(\d)$", "tabla", "pat", r"\1", r"\2"),
        ]),
    ],
}

# Order of named loudness layers, soft to hard.
LAYERS = ["softest", "soft", "p", "mp", "med", "mf", "hard", "f", "hardest"]

# Background sounds: package -> [(file glob, reader, [(name regex, kind, split)])].
# The family of a clip is its package and its name without trailing figures.
NOISES = {
    "searchandrescue-data": [("**/*.wav", "file", [
        (r"helicopter_engine_(outside\d?|inside|start|shutdown)$", "helicopter", "train"),
        (r"(jet_)?engine_(outside|inside2?|start2?|shutdown\d?)$", "engine", "train"),
        (r"thunder_\w+$", "thunder", "train"),
        (r"splash_\w+$", "splash", "train"),
    ])],
    "openarena-data": [("**/pak0.pk3", "zip", [
        (r"sound/world/(fire\d|firesoft)$", "fire", "train"),
        (r"sound/world/(drops|waterfall|cf_blubber01|curnt2)$", "water", "train"),
        (r"sound/world/(wind\d|demonwind01)$", "wind", "train"),
        (r"sound/world/(fan4|machinerydrone0\d|tim_machine|tim_pump|neonhum|electro)$",
         "machine", "train"),
        (r"sound/player/footsteps/(boot|clank|step|flesh|splash)\d$", "footsteps", "train"),
        (r"sound/world/growl\d$", "animal", "train"),
    ])],
    "minetest-data": [("**/*.ogg", "file", [
        (r"fire_(fire\.\d|small|large)$", "fire", "test"),
        (r"default_furnace_active$", "fire", "test"),
        (r"env_sounds_water\.\d$", "water", "test"),
        (r"env_sounds_lava\.\d$", "water", "test"),
        (r"default_(\w+)_footstep\.\d$", "footsteps", "test"),
        (r"doors_\w+$", "doors", "test"),
        (r"default_break_glass\.\d$", "dishes", "test"),
    ])],
    "lincity-ng-data": [("**/*.wav", "file", [
        (r"(School|Commune|SportsCroud|MarketFull|MarketMed)\d$", "voices", "train"),
        (r"(Fire|FireWasteland)\d$", "fire", "test"),
        (r"Water\d$", "sea", "train"),
        (r"ParklandLake\d$", "water", "train"),
        (r"(Harbor|Green|OrganicFarm)\d$", "outdoors", "test"),
        (r"Farm\d$", "animal", "train"),
        (r"(TraficHigh|TraficLow|DirtTrack|RailTrain)\d$", "traffic", "train"),
        (r"(Residential\w+|Shanty|Health)\d$", "home", "test"),
        (r"(Industry\w+|Mill|Blacksmith|Recycle|CoalMine|OreMine)\d$", "machine", "test"),
        (r"(WindMill|WindMillHTech)\d$", "machine", "train"),
        (r"ParklandPlane\d$", "engine", "test"),
    ])],
    "tuxpaint-stamps-default": [("**/*.ogg", "file", [
        (r"rooster$", "rooster", "train"),
        (r"(tiger|blackbird|bee|beaver|badger|cow_white|camel|doe|zebra|vulture|tucan|sheep|"
         r"seagull|penguin|mosquito|hen|duck|deer|bear|horse|donkey|chimp|bull|ferret|hornet)$",
         "animal", "train"),
        (r"(Washing-machine|vacuum_cleaner|kettle|firetruck)$", "machine", "train"),
        (r"(bassoon|violin|cello)$", "music", "train"),
        (r"(?:bee|car|cow|dog|horse|a|b|c|m|p|t)[a-z_]*_desc_(fr|es)$", "speech", "train"),
    ])],
    "gcompris-qt-data": [
        ("**/explore_farm_animals.rcc", "carve", [(r".*", "animal", "test")]),
        ("**/explore_world_music.rcc", "carve", [(r".*", "music", "test")]),
    ],
    "ambience": [("**/*.ogg", "file", [
        (r"(amazon-rainforest)$", "outdoors", "test"),
        (r"(train)$", "traffic", "test"),
    ])],
    "onsen": [("**/*.wav", "file", [
        (r"water$", "water", "test"),
        (r"(thank_you|welcome)$", "speech", "test"),
    ])],
    "sonic-pi-samples": [("**/*.flac", "file", [
        (r"vinyl_hiss$", "hiss", "test"),
        (r"ambi_(sauna|soft_buzz|glass_rub|lunar_land|dark_woosh)$", "machine", "test"),
        (r"loop_3d_printer$", "machine", "test"),
        (r"misc_crow$", "animal", "test"),
        (r"perc_door$", "doors", "test"),
        (r"ambi_piano$", "music", "test"),
    ])],
}
