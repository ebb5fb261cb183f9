"""Plain English names of columns: roles beside the schema's fields, and aliases of both.

Aliases are common practice, no source. One alias may stand under several targets: the
unit decides between them, then what the cells hold, then the order here.
"""

from __future__ import annotations

from metafreeze.register.meaning.units import Dimension

# What a column can mean beside a field of the schema. Value: what it measures.
ROLES: dict[str, Dimension] = {
    "time": "time",
    "start_clock": "time",
    "end_clock": "time",
    "watched": "time",
    "seen": "",
    "not_seen": "",
    "volume": "volume",
    "evaporated_share": "fraction",
    "radius": "length",
    "unit": "",
    "spread": "time",
    "spread_type": "",
    "interval": "time",
    "quartiles": "time",
    "span": "time",
    "variance": "time",
    "contrast_kind": "",
    "counted": "",
    "winner": "",
    "n_total": "",
    "mark": "",
    "axis": "",
    "quantity": "",
    "scale": "",
    "pixel_x": "",
    "pixel_y": "",
    "pixel_error": "",
    "axis_value": "",
    "ignore": "",
}

# Words of a role, for messages and for answers.
ROLE_WORDS: dict[str, str] = {
    "time": "freeze time",
    "start_clock": "clock at start",
    "end_clock": "clock at end",
    "watched": "watched until",
    "seen": "frozen yes or no",
    "not_seen": "not frozen yes or no",
    "volume": "water volume",
    "evaporated_share": "share evaporated",
    "radius": "inner radius",
    "unit": "unit",
    "spread": "spread",
    "spread_type": "spread type",
    "interval": "confidence interval",
    "quartiles": "quartiles",
    "span": "range",
    "variance": "variance",
    "contrast_kind": "contrast type",
    "counted": "hot first of pairs",
    "winner": "which was first",
    "n_total": "runs in both arms",
    "mark": "mark",
    "axis": "axis",
    "quantity": "axis quantity",
    "scale": "axis scale",
    "pixel_x": "pixel x",
    "pixel_y": "pixel y",
    "pixel_error": "pixel error",
    "axis_value": "axis value",
    "ignore": "ignore",
}

# Target -> aliases in plain form. Where one alias stands under several targets, the unit
# decides, then what the cells hold, then this order.
ALIASES_OF: tuple[tuple[str, str], ...] = (
    (
        "lab_id",
        "lab|labs|laboratory|lab name|lab id|lab no|kitchen|site|location|institution|school"
        "|team|facility|station|centre|center|lab code|site id|site name|house|household",
    ),
    (
        "block_id",
        "batch|block|load|round|pair|freezer load|batch no|batch id|batch number|block no"
        "|block id|pair no|pair id|pair number|round no|tray|together|cooled together|heat",
    ),
    (
        "session_id",
        "session|series|campaign|session id|session no|set|visit|week|weekday|evening|day no",
    ),
    (
        "run_id",
        "run|run id|run no|run number|run name|run label|trial|trial no|trial id|trial number|no"
        "|nr|num|id|number|test|test no|test id|replicate|rep|repeat|repetition|replicate no"
        "|experiment|experiment no|exp|attempt|#|record|index|row|row no|entry|measurement|n",
    ),
    (
        "specimen_id",
        "specimen|sample|cup|cup name|cup no|cup id|cup number|cup label|jar|bottle|vial|tube"
        "|glass|mug|bowl|dish|vessel no|vessel id|vessel name|vessel number|vessel label"
        "|container no|container id|container name|container number|beaker no|beaker id"
        "|beaker number|sample id|sample no|sample name|specimen id|specimen no|droplet|drop",
    ),
    (
        "refreeze_index",
        "times frozen before|refreeze|refreezes|freeze cycle|refreeze no|times refrozen"
        "|frozen before",
    ),
    (
        "arm",
        "arm|group|condition|treatment|category|arm name|temperature group|class|hot or cold"
        "|hot cold|hot/cold",
    ),
    (
        "start_temp_c",
        "start|start temp|start temperature|starting|starting temp|starting temperature|initial"
        "|initial temp|initial temperature|t0|t 0|t start|t initial|t init|tstart|tinit|temp start"
        "|temp initial|temperature at start|temp at start|temperature start|water temp"
        "|water temperature|temp|temperature|start t|insertion temp|insertion temperature"
        "|temperature at insertion|temp in|starting water temp|starting water temperature"
        "|water start temp|water start temperature|begin temp|beginning temperature|poured at"
        "|beginning temp|initial water temp|initial water temperature|filled at|went in at"
        "|temp before|temperature before|nominal temp|nominal temperature|set temp|first temp"
        "|measured start temp|temp of water|temperature of water|t water|temps|temperatures"
        "|starttemp|start tmp|starttemperature|t",
    ),
    (
        "start_temp_sd_k",
        "error of start temperature|start temperature error|start temp error|start temp sd"
        "|start error|start temperature sd|temp error|temperature error|start sd|temp sd"
        "|start uncertainty|temperature uncertainty|± start",
    ),
    ("heat_history", "heat history|heating history|history|preheating|preheated|heat treatment"),
    ("peak_temp_c", "peak|peak temp|peak temperature|highest temp|heated to|max temp|maximum temp"),
    ("hold_time_s", "time held hot|hold|hold time|held|time held|holding time|held hot"),
    ("assignment", "assignment|assigned|allocation|randomised|randomized|randomisation"),
    ("system", "system|substance|liquid|medium"),
    ("direction", "direction|cooling or warming"),
    (
        "sink_temp_c",
        "freezer temperature|sink|sink temp|sink temperature|ambient|ambient temp"
        "|ambient temperature|freezer|freezer temp|air temp|air temperature|t inf|t ambient"
        "|t freezer|t sink|outside temp|outdoor temp|outside temperature|outdoor temperature"
        "|bath temp|bath temperature|plate temp|plate temperature|block temp|chamber temp"
        "|chamber temperature|environment temp|cold room temp|surroundings|freezer air|freezer t",
    ),
    (
        "sink_type",
        "cooling mode|sink type|cooled by|cooler|cooling|freezer type|cooling method|environment"
        "|sink|freezer|cooled in|type of freezer",
    ),
    ("sink_temp_sd_k", "swing of the freezer|freezer swing|sink sd|freezer sd|swing"),
    ("sink_temp_rise_k", "warming of the freezer|freezer rise|sink rise|freezer warming"),
    ("air_speed_m_s", "air speed|wind|wind speed|fan speed|air velocity|draught"),
    ("air_rh", "relative humidity|humidity|rh|air humidity|air rh"),
    (
        "vessel_material",
        "vessel|container|beaker|vessel material|material|container type|vessel type|cup type"
        "|cup material|container material|pot|pan|type of cup|type of container|type of vessel"
        "|beaker type|vessel and material|vessel kind|cup kind",
    ),
    (
        "inner_diameter_mm",
        "inner diameter|diameter|inside diameter|dia|inner dia|cup diameter|vessel diameter"
        "|diameter of cup|diam|internal diameter|container diameter",
    ),
    ("radius", "radius|inner radius|inside radius|cup radius"),
    ("wall_thickness_mm", "wall thickness|wall|thickness|glass thickness"),
    (
        "water_mass_start_g",
        "water at start|mass|water mass|water|weight|start mass|mass start|mass before"
        "|weight before|initial mass|mass at start|starting mass|water weight|amount|sample mass"
        "|m0|amount of water|start weight|initial weight|weight start|weight at start|mass in"
        "|weight in|mass of water|weight of water|starting weight|water amount|m start"
        "|water before",
    ),
    (
        "volume",
        "water volume|volume|vol|water|amount|fill|fill volume|sample volume|start volume|v0"
        "|initial volume|amount of water|water amount|volume of water|quantity|filling",
    ),
    ("lid", "lid|cover|covered|covering|lid type|top|open or closed|covered or open"),
    ("base_support", "stands on|base|support|base support|standing on|shelf|placed on|stood on"),
    ("side_insulation", "side insulation|insulation|sides|wrapped|insulated"),
    ("frost_before_mm", "frost before|frost|frost thickness|frost depth|frost layer"),
    ("frost_melted", "frost melted|melted frost|frost melt"),
    (
        "position_id",
        "position|place in freezer|slot|spot|pos|position no|position in freezer|place no"
        "|freezer position|place",
    ),
    ("position_xyz_cm", "position x y z|xyz|coordinates|position xyz|x y z"),
    ("insertion_order", "order of insertion|order|insertion order|order in|placed order"),
    ("simultaneous_load_g", "load together|total load|load mass|load"),
    ("water_type", "water|water type|type of water|kind of water|water source|water kind"),
    ("gas_state", "dissolved gas|gas|gas state"),
    ("dissolved_oxygen_mg_l", "dissolved oxygen|oxygen|do|o2"),
    ("conductivity_us_cm", "conductivity|ec"),
    ("nucleant", "ice former|nucleant|ice nucleator|nucleator|seed"),
    (
        "water_mass_end_g",
        "water at end|end mass|mass end|mass after|weight after|final mass|final weight"
        "|mass at end|end weight|weight end|weight at end|mass out|weight out|m end|water after",
    ),
    (
        "mass_evaporated_g",
        "mass lost|mass evaporated|evaporated|mass loss|evaporation|water lost|loss"
        "|evaporated mass|lost|weight loss|weight lost|water loss|evaporative loss|evap",
    ),
    (
        "evaporated_share",
        "share evaporated|evaporated|mass lost|mass loss|evaporation|water lost|loss|lost"
        "|evaporated share|evaporated fraction|weight loss|water loss|evap",
    ),
    (
        "nucleation_temp_c",
        "temperature at first ice|nucleation|nucleation temp|nucleation temperature|t nuc|tnuc"
        "|ice temp|freezing onset temp|onset temp|onset temperature|first ice temp"
        "|first ice temperature|t nucleation|lowest temp before ice",
    ),
    ("supercooling_k", "supercooling|undercooling|supercooled by|supercool|depth of supercooling"),
    ("trigger_event", "trigger|trigger event|disturbance|knocked|what set it off|disturbed"),
    ("probe_height_frac", "probe height|sensor height|probe height fraction"),
    ("probe_radial_frac", "probe radius|probe radial|sensor radius"),
    ("probe_type", "probe|probe type|sensor|sensor type|thermometer"),
    ("probe_offset_zero_k", "probe offset|sensor offset|probe offset at zero|offset at zero"),
    ("probe_tau_s", "probe lag|probe time constant|sensor lag"),
    ("log_interval_s", "logging interval|log interval|sample interval|sampling interval"),
    (
        "check_interval_s",
        "time between looks|check interval|looked every|checked every|check every|looking interval"
        "|interval between checks|checks every|look every|checking interval",
    ),
    (
        "endpoint",
        "endpoint|end point|event|criterion|frozen means|timed event|event timed|what was timed"
        "|stage|freezing criterion|definition of frozen|outcome type|called frozen|outcome",
    ),
    ("threshold_c", "threshold|threshold temp|threshold temperature|target temp"),
    ("residual_from_c", "counted from|residual from"),
    ("residual_endpoint", "counted to|residual endpoint"),
    (
        "time",
        "time|freeze time|freezing time|time to freeze|freeze|freezing|t freeze|tfreeze|t freezing"
        "|t|time s|duration|elapsed|elapsed time|time taken|time to freezing|freeze duration"
        "|freezing duration|result|outcome|frozen after|froze after|frozen in|froze in|time frozen"
        "|freezetime|time until frozen|time till frozen|minutes|mins|seconds|hours|how long"
        "|time needed|total time|total|time to frozen|cooling time|length of time|took"
        "|ttf",
    ),
    (
        "time_lower_s",
        "not yet at|time lower|lower|lower time|not frozen at|last unfrozen|last liquid"
        "|last seen liquid|last seen unfrozen|not yet frozen at|still liquid at|lower bound"
        "|time low|last look liquid|last check liquid|liquid at|not yet|last liquid at"
        "|not frozen yet at|earliest|unfrozen at|last not frozen|last time liquid"
        "|last unfrozen check|time lower bound|window start|window from|from|checked liquid"
        "|checked liquid at|checked unfrozen|looked liquid",
    ),
    (
        "time_upper_s",
        "seen by|time upper|upper|upper time|first seen frozen|first frozen|seen frozen"
        "|seen frozen at|upper bound|frozen by|found frozen|found frozen at|time high|latest"
        "|first frozen at|first time frozen|first frozen check|seen at|time upper bound|window end"
        "|window to|to|frozen at or before|checked solid|checked solid at|checked frozen"
        "|looked solid|looked frozen",
    ),
    ("at_time_s", "measured at|at time|ice measured at|ice at"),
    ("ice_mass_g", "ice mass|mass of ice|ice|ice formed|ice weight"),
    (
        "start_clock",
        "clock at start|start|start time|started|begin|time in|put in|in|time put in|in at"
        "|inserted|insertion time|started at|start clock|start at|put in at|clock in|begin time"
        "|time start|time of insertion|starts|in time",
    ),
    (
        "end_clock",
        "clock at end|time frozen|time of ice|end|end time|ended|finish|finished|stop|stopped"
        "|time out|frozen at|out"
        "|out at|end clock|ended at|finish time|stop time|time end|time of freezing|solid at"
        "|ice at|clock out|froze at|taken out at|ends|out time|seen frozen clock|done",
    ),
    (
        "watched",
        "watched until|watched|watched for|observed until|observation time|observed for"
        "|end of watch|time watched|censor time|censoring time|last checked|last check|last look"
        "|follow up|stopped watching|watch time|time of last look",
    ),
    (
        "seen",
        "frozen yes or no|frozen|froze|did it freeze|event seen|froze yes no|frozen yes no"
        "|did freeze"
        "|event observed|observed|seen|frozen y n|status|frozen or not|completed|event",
    ),
    (
        "not_seen",
        "not frozen yes or no|censored|unfrozen|not frozen|gave up|right censored|censor|censoring"
        "|did not freeze|not seen|dnf",
    ),
    (
        "n_runs",
        "n|n runs|runs|sample size|count|number of runs|n per arm|trials|replicates|n trials",
    ),
    ("n_specimens", "n specimens|specimens|number of specimens|n samples|n cups"),
    ("spread", "spread|error|uncertainty|error bar|error bars|±|plus minus|bar|err|+|dispersion"),
    (
        "spread_type",
        "spread type|type of spread|error type|error bar meaning|error bar type|bars mean"
        "|error bars mean|spread kind|uncertainty type|what the bars mean|spread is|bars are"
        "|error is|kind of spread|bars|error bar|type of error|error bars",
    ),
    (
        "contrast_kind",
        "contrast type|contrast|comparison|effect type|measure|contrast kind|effect measure"
        "|kind of contrast|type of contrast|effect is|scale|effect kind|metric",
    ),
    (
        "contrast_value",
        "contrast|effect|difference|diff|mean diff|mean difference|value|contrast value"
        "|effect size|estimate|delta|effect estimate|difference in means|diff means|time difference"
        "|difference of means|point estimate",
    ),
    ("n_total", "runs in both arms|n total|total n|ntotal|n both|n all|total sample size"),
    ("p_value", "p as published|p|p value|pvalue|p val|sig"),
    (
        "k_hot_first",
        "hot first|k|hot wins|times hot first|k hot first|hot won|hotter first|hot faster"
        "|n hot first|number hot first|hot was first|hot won times",
    ),
    ("n_pairs", "pairs|n pairs|number of pairs|comparisons|out of|pairs compared|of pairs|races"),
    ("n_ties", "ties|draws|n ties|drawn|tie|number of ties"),
    (
        "counted",
        "hot first of pairs|k of n|k/n|hot first of n|k out of n|hot first k/n|hot first out of"
        "|score|hot first k of n|hot first",
    ),
    (
        "winner",
        "hot first|hot won|hot wins|hotter first|hot was first|which was first|winner|which first"
        "|who won|first|faster|frozen first|won",
    ),
    ("trace_file", "trace file|trace|log file|logger file|curve file"),
    ("trace_channel", "trace channel|channel"),
    (
        "inserted_at",
        "date|put in at|inserted at|date time|datetime|timestamp|insertion date|date of run"
        "|run date|when|start date|day|measured on|date and time|put in on|date of trial"
        "|trial date|date of experiment|inserted|date in|performed on|start datetime|date done",
    ),
    ("session_id", "day"),
    ("sham", "sham pair label|sham|sham label"),
    (
        "exclusion_reason",
        "excluded because|excluded|exclude|reason|exclusion|reason excluded|exclusion reason"
        "|why excluded|reason for exclusion|left out because",
    ),
    ("stopped_rule", "stopped by|stopped rule|stopping rule"),
    (
        "source_id",
        "source|study|paper|reference|publication|author|ref|citation|article|report|doi|authors"
        "|study id|source id|study name|study label|first author|paper id|source name",
    ),
    (
        "locator",
        "place in source|locator|page|figure|fig|table|page figure|panel|figure no|fig no"
        "|page no|figure panel|table no|where in source|figure table",
    ),
    ("extraction_id", "extraction|extraction id|reading no|extraction no|curve|reading id"),
    ("reader_id", "read by|reader|digitised by|digitized by|extracted by|reader id|read off by"),
    ("read_at", "read on|read at|date read|extracted on|digitised on|digitized on|reading date"),
    (
        "time_reading_sd_s",
        "reading error of time|reading error|read error|time reading error|time error"
        "|error of time|reading uncertainty|digitising error|digitizing error|reading sd"
        "|time ±|± reading error|error reading|reading error sd|time reading sd|± reading"
        "|± time|time uncertainty|reading ±|read off error|y error|time error reading",
    ),
    ("preregistered", "planned in public|preregistered|pre registered|registered"),
    ("conflict_note", "interests|conflict|conflicts|funding|conflict of interest|conflict note"),
    (
        "remark",
        "remark|note|notes|remarks|comment|comments|observation|observations|memo|anything else"
        "|misc|details|description|what happened|additional notes|other notes|year"
        "|publication year|year of publication|year published",
    ),
    ("invented", "invented|demo|made up|fictional"),
    ("mark", "mark|marks|point or axis|marker|kind of mark|mark type|type of mark"),
    ("axis", "axis|which axis|axis name|x or y"),
    ("quantity", "axis quantity|quantity|axis label|axis means|what axis"),
    ("scale", "axis scale|scale|lin log|linear or log|scale type|axis type"),
    ("pixel_x", "pixel x|x pixel|px x|x px|pixelx|px|x pixels|xpix|pix x|column pixel"),
    ("pixel_y", "pixel y|y pixel|px y|y px|pixely|py|y pixels|ypix|pix y|row pixel"),
    ("pixel_error", "pixel error|px error|pixel uncertainty|error px|pixel sd|± px"),
    ("axis_value", "axis value|value|reading|axis reading|value at mark|mark value"),
    ("unit", "unit|units"),
    ("ignore", "ignore|skip|drop"),
)
